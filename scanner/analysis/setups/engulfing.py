"""The engulfing bar: at the end of a decline, a strong bar up whose body covers that of the bar down before it.

The idea, unproven: what the last sellers did was undone within one bar.

Details: «covers» includes equal prices. The lower low of the two bars must be the lowest of the last 10 bars, including
these two; an equal low among the others does not count against it.
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
    lowest_of,
    opening,
    stretch,
    tie,
)
from scanner.analysis.columns import CLOSE, FAST_AVERAGE, HIGH, LOW, OPEN, SLOW_AVERAGE, USUAL_BODY
from scanner.analysis.door import evidence
from scanner.analysis.door.searching import LONG, SHORT, searched, weighed
from scanner.analysis.door.setup import Fit, Numbers, Setup, Words
from scanner.analysis.rules import TIE
from scanner.compiling import compiled

if TYPE_CHECKING:
    from scanner.analysis.door.searching import Floats, Integers, Marks

RULES = ("direction", "body", "before_body", "covers", "close_near_end", "lowest")
DIRECTION, BODY, BEFORE_BODY, COVERS, CLOSE_NEAR_END, LOWEST = range(len(RULES))
POINTS = ("close_beyond", "fresh_cross", "beyond_fast_average", "beyond_slow_average", "volume")
CLOSE_BEYOND, FRESH_CROSS, BEYOND_FAST, BEYOND_SLOW, VOLUMES = range(len(POINTS))
SIZES = (len(RULES), len(RULES))


class EngulfingNumbers(Numbers):
    """The numbers of the engulfing bar."""

    body_min: float = Field(1.0, ge=0, description="least body of the engulfing bar, in usual bodies")
    before_min: float = Field(0.5, ge=0, description="least body of the engulfed bar, in usual bodies")
    close_part: float = Field(
        1 / 3, ge=0, le=1, description="greatest distance of the close from the bar's end, as a fraction of its range"
    )
    lowest_of: int = Field(10, ge=3, le=50, description="number of bars whose extreme the two bars must reach")
    cross_window: int = Field(10, ge=0, description="evidence: bars for which a cross of the MACD line stays fresh")


@compiled
def measure(series: Floats, t: int, sign: float, numbers: Any, measured: Floats, verdicts: Marks) -> bool:
    """Measure every rule on the bars t−1 and t; both bodies are compared with the usual body up to t−1."""
    p = t - 1
    open_p, close_p = opening(series, p, sign), closing(series, p, sign)
    open_t, close_t = opening(series, t, sign), closing(series, t, sign)
    usual, equal = series[USUAL_BODY, p], tie(series, p, t)

    measured[DIRECTION] = min(close_t - open_t, open_p - close_p)
    verdicts[DIRECTION] = measured[DIRECTION] > equal
    measured[BODY] = divided(body(series, t), usual)
    verdicts[BODY] = body(series, t) >= numbers.body_min * usual - equal
    measured[BEFORE_BODY] = divided(body(series, p), usual)
    verdicts[BEFORE_BODY] = body(series, p) >= numbers.before_min * usual - equal
    measured[COVERS] = min(close_p - open_t, close_t - open_p)
    verdicts[COVERS] = measured[COVERS] >= -equal
    left = highest(series, t, sign) - close_t
    measured[CLOSE_NEAR_END] = divided(left, extent(series, t))
    verdicts[CLOSE_NEAR_END] = left <= numbers.close_part * extent(series, t) + equal
    low = min(lowest(series, p, sign), lowest(series, t, sign))
    measured[LOWEST] = lowest_of(series, t + 1 - numbers.lowest_of, t - 2, sign) - low
    verdicts[LOWEST] = measured[LOWEST] >= -equal
    return all_hold(verdicts, len(RULES))


@compiled
def mark(series: Floats, first: int, stop: int, numbers: Any, marks: Marks) -> None:
    """Mark strong bodies against a smaller one before, at an extreme of three bars; ties are let through."""
    high_n = stretch(series, HIGH, first, stop, 2)
    low_n = stretch(series, LOW, first, stop, 2)
    open_p = stretch(series, OPEN, first, stop, 1)
    high_p = stretch(series, HIGH, first, stop, 1)
    low_p = stretch(series, LOW, first, stop, 1)
    close_p = stretch(series, CLOSE, first, stop, 1)
    usual_p = stretch(series, USUAL_BODY, first, stop, 1)
    opens = stretch(series, OPEN, first, stop, 0)
    highs = stretch(series, HIGH, first, stop, 0)
    lows = stretch(series, LOW, first, stop, 0)
    closes = stretch(series, CLOSE, first, stop, 0)
    body_min, close_part = numbers.body_min, numbers.close_part
    for i in range(stop - first):
        equal = 2.0 * TIE * (abs(high_p[i]) + abs(low_p[i]) + abs(highs[i]) + abs(lows[i]))
        rise, before = closes[i] - opens[i], close_p[i] - open_p[i]
        strong, left = abs(rise) + equal, close_part * (highs[i] - lows[i]) + equal
        weak = max(body_min * usual_p[i], abs(before)) - strong
        up = max(weak, -rise, before, highs[i] - closes[i] - left, min(low_p[i], lows[i]) - low_n[i] - equal)
        down = max(weak, rise, -before, closes[i] - lows[i] - left, high_n[i] - max(high_p[i], highs[i]) - equal)
        marks[i] = (up < 0.0) * LONG | (down < 0.0) * SHORT


@compiled
def find(
    columns: Floats, rows: Integers, first: Integers, stop: Integers, numbers: Any, marks: Marks, found: Integers
) -> int:
    """Give the bars of many series at which every rule holds."""
    return searched(mark, measure, SIZES, columns, rows, first, stop, numbers, marks, found)


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
    """Count the evidence. The stop is placed beyond both bars; a close beyond the last bar's open spoils the setup."""
    past = closing(series, t, sign) - highest(series, t - 1, sign)
    points[CLOSE_BEYOND], held[CLOSE_BEYOND] = past, past > 0.0
    points[FRESH_CROSS], held[FRESH_CROSS] = evidence.fresh_cross(series, t, sign, numbers.cross_window)
    points[BEYOND_FAST], held[BEYOND_FAST] = evidence.beyond_average(series, t, sign, FAST_AVERAGE)
    points[BEYOND_SLOW], held[BEYOND_SLOW] = evidence.beyond_average(series, t, sign, SLOW_AVERAGE)
    points[VOLUMES], held[VOLUMES] = evidence.volume(series, t, rules)
    levels.trigger, levels.base = sign * highest(series, t, sign), sign * lowest_of(series, t - 1, t, sign)
    levels.beyond = series[OPEN, t]


@compiled
def weigh(columns: Floats, spots: Integers, numbers: Any, rules: Any, out: Any) -> None:
    """Measure and weigh bars; the same in every setup."""
    weighed(measure, weigh_one, columns, spots, numbers, rules, out)


def words(fit: Fit, numbers: EngulfingNumbers) -> Words:
    """Put the rules, the points of evidence and the levels of a bar into words."""
    up, down = fit.word("up", "down"), fit.word("down", "up")
    low, below = fit.word("low", "high"), fit.word("below", "above")
    high = fit.word("high", "low")
    rules = [
        ("> 0", f"smaller of the two bodies, the last bar's counted {up} and the one before {down}"),
        (f">= {numbers.body_min:g}", "last bar's body in usual bodies"),
        (f">= {numbers.before_min:g}", "body of the bar before in usual bodies"),
        (">= 0", "how far the last body reaches beyond the one before, at the closer end"),
        (
            f"<= {numbers.close_part:.4g}",
            f"close to the last bar's {high} as a fraction of its range",
        ),
        (
            ">= 0",
            f"how far the two bars' {low} lies {below} that of the others among {numbers.lowest_of} bars",
        ),
    ]
    points = {
        "close_beyond": ("> 0", f"how far the close lies beyond the {high} of the bar before"),
        "fresh_cross": evidence.fresh_cross_words(fit, FRESH_CROSS, numbers.cross_window),
        "beyond_fast_average": evidence.beyond_average_words(fit, FAST_AVERAGE),
        "beyond_slow_average": evidence.beyond_average_words(fit, SLOW_AVERAGE),
        "volume": evidence.volume_words(fit, VOLUMES),
    }
    return Words(
        rules,
        points,
        f"the last bar's {high}",
        f"the {fit.word('lower low', 'higher high')} of the two bars",
        f"a close {below} the engulfing bar's open",
    )


SETUP = Setup(
    name="engulfing",
    title="engulfing bar",
    summary=(
        "At the extreme of a move, a strong bar whose body covers the whole body of the opposite bar before it. "
        "The idea, unproven: what the last bar of the move did was undone at once."
    ),
    bars=(("A", "engulfed bar"), ("B", "engulfing bar")),
    looks_back=49,
    numbers=EngulfingNumbers,
    rules=RULES,
    find=find,
    measure=measure,
    weigh=weigh,
    words=words,
    points=POINTS,
    places=("level", "average"),
)
