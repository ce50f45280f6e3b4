"""The inside bar: in a trend, a strong bar in its direction and then a small one within it.

The idea, unproven: nobody took back what the strong bar gained.

Details: «within» includes equal highs and lows. The strong bar is compared with the ATR at the bar before it, which
does not contain it yet.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pydantic import Field

from scanner.analysis.bar_sides import (
    all_hold,
    body,
    closing,
    divided,
    extent,
    highest,
    lowest,
    opening,
    stretch,
    tie,
    trend_margin,
)
from scanner.analysis.columns import ATR, CLOSE, FAST_AVERAGE, HIGH, LOW, OPEN
from scanner.analysis.door import evidence
from scanner.analysis.door.searching import LONG, SHORT, searched, weighed
from scanner.analysis.door.setup import Fit, Forming, Numbers, Setup, Words
from scanner.analysis.next_bar import Need
from scanner.analysis.rules import TIE
from scanner.compiling import compiled

if TYPE_CHECKING:
    from scanner.analysis.door.searching import Floats, Integers, Marks
    from scanner.analysis.next_bar import Before

RULES = ("trend", "strong", "solid", "direction", "within", "small")
TREND, STRONG, SOLID, DIRECTION, WITHIN, SMALL = range(len(RULES))
POINTS = ("tight", "fresh_cross", "quiet_volume")
TIGHT, FRESH_CROSS, QUIET = range(len(POINTS))
SIZES = (len(RULES), len(RULES))


class InsideBarNumbers(Numbers):
    """The numbers of the inside bar."""

    trend_rise: int = Field(10, ge=1, le=50, description="bars over which the fast average must have risen")
    strong_min: float = Field(1.0, ge=0, description="least range of the strong bar, in ATR at the bar before it")
    solid: float = Field(0.5, ge=0, le=1, description="least body of the strong bar, as a fraction of its range")
    inside_range: float = Field(
        0.6, gt=0, le=1, description="greatest range of the inside bar, as a fraction of the strong bar's"
    )
    tight: float = Field(0.35, ge=0, description="evidence: inside bar's range as a fraction of the strong bar's")
    cross_window: int = Field(10, ge=0, description="evidence: bars for which a cross of the MACD line stays fresh")


@compiled
def measure(series: Floats, t: int, sign: float, numbers: Any, measured: Floats, verdicts: Marks) -> bool:
    """Measure every rule on the bars t−1 and t, with the ATR at t−2."""
    p = t - 1
    range_p, range_t, body_p, atr = extent(series, p), extent(series, t), body(series, p), series[ATR, t - 2]
    equal = tie(series, p, t)
    measured[TREND] = trend_margin(series, t, sign, numbers.trend_rise)
    verdicts[TREND] = measured[TREND] > equal
    measured[STRONG] = divided(range_p, atr)
    verdicts[STRONG] = range_p >= numbers.strong_min * atr - equal
    measured[SOLID] = divided(body_p, range_p)
    verdicts[SOLID] = body_p >= numbers.solid * range_p - equal
    measured[DIRECTION] = closing(series, p, sign) - opening(series, p, sign)
    verdicts[DIRECTION] = measured[DIRECTION] > equal
    above = highest(series, t, sign) - highest(series, p, sign)
    measured[WITHIN] = max(above, lowest(series, p, sign) - lowest(series, t, sign))
    verdicts[WITHIN] = measured[WITHIN] <= equal
    measured[SMALL] = divided(range_t, range_p)
    verdicts[SMALL] = range_t <= numbers.inside_range * range_p + equal
    return all_hold(verdicts, len(RULES))


@compiled
def mark(series: Floats, first: int, stop: int, numbers: Any, marks: Marks) -> None:
    """Mark the small bars within a strong one that goes with the trend; ties are let through."""
    high_p = stretch(series, HIGH, first, stop, 1)
    low_p = stretch(series, LOW, first, stop, 1)
    open_p = stretch(series, OPEN, first, stop, 1)
    close_p = stretch(series, CLOSE, first, stop, 1)
    atr_n = stretch(series, ATR, first, stop, 2)
    highs = stretch(series, HIGH, first, stop, 0)
    lows = stretch(series, LOW, first, stop, 0)
    closes = stretch(series, CLOSE, first, stop, 0)
    fasts = stretch(series, FAST_AVERAGE, first, stop, 0)
    inside_range, strong_min = numbers.inside_range, numbers.strong_min
    for i in range(stop - first):
        equal = 2.0 * TIE * (abs(high_p[i]) + abs(low_p[i]) + abs(highs[i]) + abs(lows[i]))
        range_p, drive, above = high_p[i] - low_p[i] + equal, close_p[i] - open_p[i], closes[i] - fasts[i]
        wide = max(strong_min * atr_n[i] - range_p, highs[i] - lows[i] - inside_range * range_p - equal)
        out = max(wide, highs[i] - high_p[i] - equal, low_p[i] - lows[i] - equal)
        marks[i] = (max(out, -drive, -above) < 0.0) * LONG | (max(out, drive, above) < 0.0) * SHORT


@compiled
def find(
    columns: Floats, rows: Integers, first: Integers, stop: Integers, numbers: Any, marks: Marks, found: Integers
) -> int:
    """Give the bars of many series at which every rule holds."""
    return searched(mark, measure, SIZES, columns, rows, first, stop, numbers, marks, found)


@compiled
def is_strong(series: Floats, p: int, sign: float, numbers: Any, _measured: Floats, _verdicts: Marks) -> bool:
    """Whether every rule about the strong bar p alone holds."""
    range_p, body_p, equal = extent(series, p), body(series, p), tie(series, p, p)
    strong = range_p >= numbers.strong_min * series[ATR, p - 1] - equal and body_p >= numbers.solid * range_p - equal
    return strong and closing(series, p, sign) - opening(series, p, sign) > equal


@compiled
def mark_strong(series: Floats, first: int, stop: int, numbers: Any, marks: Marks) -> None:
    """Mark the long bars; ties are let through."""
    opens, closes = stretch(series, OPEN, first, stop, 0), stretch(series, CLOSE, first, stop, 0)
    highs, lows = stretch(series, HIGH, first, stop, 0), stretch(series, LOW, first, stop, 0)
    atrs = stretch(series, ATR, first, stop, 1)
    for i in range(stop - first):
        long = highs[i] - lows[i] >= 0.99 * numbers.strong_min * atrs[i]
        marks[i] = (long & (closes[i] > opens[i])) * LONG | (long & (closes[i] < opens[i])) * SHORT


@compiled
def find_forming(
    columns: Floats, rows: Integers, first: Integers, stop: Integers, numbers: Any, marks: Marks, found: Integers
) -> int:
    """Give the strong bars of many series."""
    return searched(mark_strong, is_strong, (0, 0), columns, rows, first, stop, numbers, marks, found)


def next_bar(before: Before, numbers: InsideBarNumbers) -> list[Need]:
    """Ask for a small bar within the strong one that keeps the trend."""
    return [
        Need("high", most=before.highest(), why="within the strong bar"),
        Need("low", least=before.lowest(), why="within the strong bar"),
        Need("range", most=numbers.inside_range * before.extent()),
        Need("close", least=before.trend_close(numbers.trend_rise), beyond=True, why="for the trend to go on"),
    ]


@compiled
def weigh_one(
    series: Floats,
    t: int,
    sign: float,
    numbers: Any,
    rules: Any,
    _measured: Floats,
    points: Floats,
    held: Marks,
    levels: Any,
) -> None:
    """Count the evidence. A close beyond the inside bar spoils the setup."""
    range_p, range_t = extent(series, t - 1), extent(series, t)
    points[TIGHT] = divided(range_t, range_p)
    held[TIGHT] = range_t <= numbers.tight * range_p + TIE * abs(series[CLOSE, t])
    points[FRESH_CROSS], held[FRESH_CROSS] = evidence.fresh_cross(series, t, sign, numbers.cross_window)
    points[QUIET], held[QUIET] = evidence.quiet_volume(series, t, rules)
    levels.trigger, levels.base = sign * highest(series, t - 1, sign), sign * lowest(series, t, sign)
    levels.beyond = levels.base


@compiled
def weigh(columns: Floats, spots: Integers, numbers: Any, rules: Any, out: Any) -> None:
    """Measure and weigh bars; the same in every setup."""
    weighed(measure, weigh_one, columns, spots, numbers, rules, out)


def words(fit: Fit, numbers: InsideBarNumbers) -> Words:
    """Put the rules, the points of evidence and the levels of a bar into words."""
    low = fit.word("low", "high")
    rules = [
        ("> 0", evidence.trend_text(fit, numbers.trend_rise)),
        (f">= {numbers.strong_min:g}", "strong bar's range in ATR of the bar before it"),
        (f">= {numbers.solid:g}", "strong bar's body as a fraction of its range"),
        ("> 0", f"strong bar's body, counted {fit.word('up', 'down')}"),
        ("<= 0", "how far the last bar reaches beyond the strong bar's range"),
        (f"<= {numbers.inside_range:g}", "inside bar's range as a fraction of the strong bar's"),
    ]
    points = {
        "tight": (f"<= {numbers.tight:g}", "inside bar's range as a fraction of the strong bar's"),
        "fresh_cross": evidence.fresh_cross_words(fit, FRESH_CROSS, numbers.cross_window),
        "quiet_volume": evidence.volume_words(fit, QUIET, "< 1"),
    }
    return Words(
        rules,
        points,
        f"the strong bar's {fit.word('high', 'low')}",
        f"the inside bar's {low}",
        f"a close {fit.word('below', 'above')} the inside bar's {low}",
    )


SETUP = Setup(
    name="inside_bar",
    title="inside bar",
    summary=(
        "In a trend, a strong bar in its direction and then a much smaller one within its range. "
        "The idea, unproven: nobody took back what the strong bar gained."
    ),
    bars=(("A", "strong bar"), ("B", "inside bar")),
    looks_back=50,
    numbers=InsideBarNumbers,
    rules=RULES,
    find=find,
    measure=measure,
    weigh=weigh,
    words=words,
    points=POINTS,
    forming=Forming(find_forming, next_bar),
)
