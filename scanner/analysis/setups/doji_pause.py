"""The doji pause: a drive, a bar of indecision, and a second drive of about the same size.

The idea, unproven: the pause did not turn the move.
"""

from __future__ import annotations

from math import inf, isinf, isnan
from typing import TYPE_CHECKING, Any, Literal

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
    since_cross,
    stretch,
    tie,
)
from scanner.analysis.columns import ATR, CLOSE, CROSS, FAST_AVERAGE, HIGH, LOW, OPEN, SLOW_AVERAGE, USUAL_BODY, VOLUME
from scanner.analysis.door import evidence
from scanner.analysis.door.searching import LONG, SHORT, searched, weighed
from scanner.analysis.door.setup import Fit, Forming, Numbers, Setup, Words
from scanner.analysis.next_bar import Need
from scanner.analysis.numbers import number
from scanner.analysis.rules import TIE
from scanner.compiling import compiled

if TYPE_CHECKING:
    from scanner.analysis.door.searching import Floats, Integers, Marks
    from scanner.analysis.next_bar import Before

RULES = (
    "drive_direction",
    "drive_length",
    "not_exhausted",
    "drive_solid",
    "doji_body",
    "doji_short",
    "drives_alike",
    "progress",
    "momentum",
    "traded",
)
(
    DRIVE_DIRECTION,
    DRIVE_LENGTH,
    NOT_EXHAUSTED,
    DRIVE_SOLID,
    DOJI_BODY,
    DOJI_SHORT,
    DRIVES_ALIKE,
    PROGRESS,
    MOMENTUM,
    TRADED,
) = range(len(RULES))
ALLOWED = len(RULES)
"""Index of the greatest body that the doji may have, as a fraction of its range, in ``measured``."""
POINTS = ("engulfing", "doji_inside", "doji_tight", "beyond_fast_average", "beyond_slow_average", "volume", "true_doji")
ENGULFING, INSIDE, TIGHT, BEYOND_FAST, BEYOND_SLOW, VOLUMES, TRUE_DOJI = range(len(POINTS))
OF_DOJI, OF_DOJI_SINCE_FAR, OF_LAST_BAR = range(3)
"""Which price is the stop's base."""
SIZES = (len(RULES) + 1, len(RULES))
SMALL_BAR = 1
"""The choice of the wider pause, as compiled code reads it."""
BARS = 3


class DojiPauseNumbers(Numbers):
    """The numbers of the doji pause."""

    drive_min: float = Field(1.0, ge=0, description="least body of the first drive, in usual bodies")
    drive_max_atr: float = Field(3.0, gt=0, description="greatest range of each drive, in ATR")
    solid: float = Field(0.5, ge=0, le=1, description="least body of a drive, as a fraction of its range")
    pause: Literal["doji", "small_bar"] = Field("doji", description="the bar between the drives")
    doji_body: float = Field(0.10, ge=0, le=1, description="greatest body of the doji, as a fraction of its range")
    doji_body_of_drive: float = Field(0.05, ge=0, description="or as a fraction of the first drive's body")
    doji_range: float = Field(0.75, gt=0, description="greatest range of the doji, as a fraction of the first drive's")
    small_body: float = Field(0.20, ge=0, le=1, description="greatest body of a small bar, as a fraction of its range")
    small_body_of_drive: float = Field(0.10, ge=0, description="or as a fraction of the first drive's body")
    small_range: float = Field(
        0.9, gt=0, description="greatest range of a small bar, as a fraction of the first drive's"
    )
    alike: float = Field(1.75, ge=1, description="greatest ratio between the two drives' bodies")
    cross_window: int = Field(10, ge=0, description="bars for which a cross of the MACD line stays fresh")
    doji_tight: float = Field(0.35, ge=0, description="evidence: doji's range as a fraction of the first drive's")


@compiled
def measure(series: Floats, t: int, sign: float, numbers: Any, measured: Floats, verdicts: Marks) -> bool:
    """Measure every rule on the bars t−2, t−1 and t; ratios are judged as differences, so that ties are exact."""
    a, d, b = t - 2, t - 1, t
    body_a, body_d, body_b = body(series, a), body(series, d), body(series, b)
    range_a, range_d, range_b = extent(series, a), extent(series, d), extent(series, b)
    close_a, close_b = closing(series, a, sign), closing(series, b, sign)
    usual, atr = series[USUAL_BODY, t - 3], series[ATR, t - 3]
    equal = tie(series, a, b)
    small = numbers.pause == SMALL_BAR
    of_range = numbers.small_body if small else numbers.doji_body
    of_drive = numbers.small_body_of_drive if small else numbers.doji_body_of_drive
    most_range = numbers.small_range if small else numbers.doji_range

    directed_a, directed_b = close_a - opening(series, a, sign), close_b - opening(series, b, sign)
    measured[DRIVE_DIRECTION] = min(directed_a, directed_b)
    verdicts[DRIVE_DIRECTION] = directed_a > 0.0 and directed_b > 0.0
    measured[DRIVE_LENGTH] = divided(body_a, usual)
    verdicts[DRIVE_LENGTH] = body_a >= numbers.drive_min * usual - equal
    measured[NOT_EXHAUSTED] = divided(max(range_a, range_b), atr)
    verdicts[NOT_EXHAUSTED] = max(range_a, range_b) <= numbers.drive_max_atr * atr + equal
    measured[DRIVE_SOLID] = min(divided(body_a, range_a), divided(body_b, range_b))
    verdicts[DRIVE_SOLID] = body_a >= numbers.solid * range_a - equal and body_b >= numbers.solid * range_b - equal
    allowed = max(of_range * range_d, of_drive * body_a)
    measured[DOJI_BODY], measured[ALLOWED] = divided(body_d, range_d), divided(allowed, range_d)
    verdicts[DOJI_BODY] = body_d <= allowed + equal
    measured[DOJI_SHORT] = divided(range_d, range_a)
    verdicts[DOJI_SHORT] = range_d <= most_range * range_a + equal
    measured[DRIVES_ALIKE] = divided(body_b, body_a)
    verdicts[DRIVES_ALIKE] = body_b <= numbers.alike * body_a + equal and body_a <= numbers.alike * body_b + equal
    measured[PROGRESS] = close_b - max(close_a, highest(series, d, sign))
    verdicts[PROGRESS] = measured[PROGRESS] > 0.0
    measured[MOMENTUM] = since_cross(series, t, sign)
    verdicts[MOMENTUM] = measured[MOMENTUM] <= numbers.cross_window
    traded = 0
    for i in range(a, b + 1):
        traded += not (extent(series, i) == 0.0 and series[VOLUME, i] == 0.0)
    measured[TRADED] = traded
    verdicts[TRADED] = traded == BARS
    return all_hold(verdicts, len(RULES))


@compiled
def mark(series: Floats, first: int, stop: int, numbers: Any, marks: Marks) -> None:
    """Mark the bars that may end two similar drives around a small bar, with a fresh cross: the rarest rules.

    It lets a little more through: ties are left to ``measure``.
    """
    open_a = stretch(series, OPEN, first, stop, 2)
    high_a = stretch(series, HIGH, first, stop, 2)
    low_a = stretch(series, LOW, first, stop, 2)
    close_a = stretch(series, CLOSE, first, stop, 2)
    open_d = stretch(series, OPEN, first, stop, 1)
    high_d = stretch(series, HIGH, first, stop, 1)
    low_d = stretch(series, LOW, first, stop, 1)
    close_d = stretch(series, CLOSE, first, stop, 1)
    open_b = stretch(series, OPEN, first, stop, 0)
    high_b = stretch(series, HIGH, first, stop, 0)
    low_b = stretch(series, LOW, first, stop, 0)
    close_b = stretch(series, CLOSE, first, stop, 0)
    crosses = stretch(series, CROSS, first, stop, 0)
    small = numbers.pause == SMALL_BAR
    of_range = 1.01 * (numbers.small_body if small else numbers.doji_body)
    of_drive = 1.01 * (numbers.small_body_of_drive if small else numbers.doji_body_of_drive)
    alike, fresh = 1.01 * numbers.alike, 1.0 + numbers.cross_window
    for i in range(stop - first):
        drive, second, doji = close_a[i] - open_a[i], close_b[i] - open_b[i], abs(close_d[i] - open_d[i])
        body_a, body_b = abs(drive), abs(second)
        equal = abs(high_a[i]) + abs(low_a[i]) + abs(high_d[i]) + abs(low_d[i]) + abs(high_b[i]) + abs(low_b[i])
        equal *= 2.0 * TIE
        pause = (doji <= of_range * (high_d[i] - low_d[i]) + equal) | (doji <= of_drive * body_a + equal)
        fits = pause & (abs(crosses[i]) <= fresh) & (drive * crosses[i] > 0.0) & (drive * second > 0.0)
        fits = fits & (body_b <= alike * body_a + equal) & (body_a <= alike * body_b + equal)
        marks[i] = (fits & (drive > 0.0)) * LONG | (fits & (drive < 0.0)) * SHORT


@compiled
def find(
    columns: Floats, rows: Integers, first: Integers, stop: Integers, numbers: Any, marks: Marks, found: Integers
) -> int:
    """Give the bars of many series at which every rule holds."""
    return searched(mark, measure, SIZES, columns, rows, first, stop, numbers, marks, found)


@compiled
def holds_so_far(series: Floats, p: int, sign: float, numbers: Any, _measured: Floats, _verdicts: Marks) -> bool:
    """Whether every rule about the first drive p−1 and the doji p holds, and the MACD's cross will still be fresh."""
    a, d = p - 1, p
    body_a, body_d, range_a, range_d = body(series, a), body(series, d), extent(series, a), extent(series, d)
    usual, atr, equal = series[USUAL_BODY, p - 2], series[ATR, p - 2], tie(series, a, d)
    small = numbers.pause == SMALL_BAR
    of_range = numbers.small_body if small else numbers.doji_body
    of_drive = numbers.small_body_of_drive if small else numbers.doji_body_of_drive
    most_range = numbers.small_range if small else numbers.doji_range
    drive = closing(series, a, sign) > opening(series, a, sign) and body_a >= numbers.drive_min * usual - equal
    drive = drive and range_a <= numbers.drive_max_atr * atr + equal and body_a >= numbers.solid * range_a - equal
    doji = body_d <= max(of_range * range_d, of_drive * body_a) + equal and range_d <= most_range * range_a + equal
    traded = not (range_d == 0.0 and series[VOLUME, d] == 0.0)
    return drive and doji and traded and sign * series[CROSS, p] <= numbers.cross_window


@compiled
def mark_so_far(series: Floats, first: int, stop: int, numbers: Any, marks: Marks) -> None:
    """Mark the small bars after a drive; it lets a little more through."""
    open_a = stretch(series, OPEN, first, stop, 1)
    close_a = stretch(series, CLOSE, first, stop, 1)
    open_d = stretch(series, OPEN, first, stop, 0)
    high_d = stretch(series, HIGH, first, stop, 0)
    low_d = stretch(series, LOW, first, stop, 0)
    close_d = stretch(series, CLOSE, first, stop, 0)
    small = numbers.pause == SMALL_BAR
    of_range = 1.01 * (numbers.small_body if small else numbers.doji_body)
    of_drive = 1.01 * (numbers.small_body_of_drive if small else numbers.doji_body_of_drive)
    for i in range(stop - first):
        drive, doji = close_a[i] - open_a[i], abs(close_d[i] - open_d[i])
        equal = 4.0 * TIE * (abs(close_a[i]) + abs(high_d[i]) + abs(low_d[i]))
        fits = (doji <= of_range * (high_d[i] - low_d[i]) + equal) | (doji <= of_drive * abs(drive) + equal)
        marks[i] = (fits & (drive > 0.0)) * LONG | (fits & (drive < 0.0)) * SHORT


@compiled
def find_forming(
    columns: Floats, rows: Integers, first: Integers, stop: Integers, numbers: Any, marks: Marks, found: Integers
) -> int:
    """Give the dojis of many series after which a second drive may come."""
    return searched(mark_so_far, holds_so_far, (0, 0), columns, rows, first, stop, numbers, marks, found)


def next_bar(before: Before, numbers: DojiPauseNumbers) -> list[Need]:
    """Ask for the second drive."""
    body_a, since, above = before.body(1), before.since_cross(), before.word("above", "below")
    progress = max(before.closing(1), before.highest())
    cross = inf if isinf(since) else before.cross_close()
    why = f"beyond the first drive's close and the {'small bar' if numbers.pause == 'small_bar' else 'doji'}"
    if cross > progress:
        why = f"where the MACD line {'crosses' if isnan(since) else 'stays'} {above} its signal, {why}"
    else:
        why += f", with the MACD line {above} its signal"
    return [
        Need("close", least=cross if isnan(cross) else max(progress, cross), beyond=True, why=why),
        Need("body", least=body_a / numbers.alike, most=numbers.alike * body_a, why="like the first drive's"),
        Need("range", most=numbers.drive_max_atr * before.atr(2)),
        Need("body_of_range", least=numbers.solid),
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
    """Count the evidence. The stop is placed beyond the doji, or beyond the last bar if that is further away."""
    open_p, close_p, body_p = opening(series, t - 3, sign), closing(series, t - 3, sign), body(series, t - 3)
    open_a, close_a = opening(series, t - 2, sign), closing(series, t - 2, sign)
    range_a, range_d, equal = extent(series, t - 2), extent(series, t - 1), tie(series, t - 2, t - 1)
    points[ENGULFING] = divided(close_a - open_a, body_p)
    held[ENGULFING] = close_p < open_p and open_a <= close_p and close_a >= open_p
    low_out = lowest(series, t - 2, sign) - lowest(series, t - 1, sign)
    high_out = highest(series, t - 1, sign) - highest(series, t - 2, sign)
    points[INSIDE], held[INSIDE] = max(low_out, high_out), low_out <= 0.0 and high_out <= 0.0
    points[TIGHT], held[TIGHT] = divided(range_d, range_a), range_d <= numbers.doji_tight * range_a + equal
    points[BEYOND_FAST], held[BEYOND_FAST] = evidence.beyond_average(series, t, sign, FAST_AVERAGE)
    points[BEYOND_SLOW], held[BEYOND_SLOW] = evidence.beyond_average(series, t, sign, SLOW_AVERAGE)
    points[VOLUMES], held[VOLUMES] = evidence.volume(series, t, rules)
    if numbers.pause == SMALL_BAR:
        body_d = body(series, t - 1)
        allowed = max(numbers.doji_body * range_d, numbers.doji_body_of_drive * body(series, t - 2))
        points[TRUE_DOJI], held[TRUE_DOJI] = divided(body_d, range_d), body_d <= allowed + equal

    low_d, low_b = lowest(series, t - 1, sign), lowest(series, t, sign)
    far = closing(series, t, sign) - low_b > rules.stop_far * series[ATR, t] + TIE * abs(low_b)
    levels.base_is = OF_DOJI if low_b >= low_d else OF_DOJI_SINCE_FAR if far else OF_LAST_BAR
    levels.trigger = sign * highest(series, t, sign)
    levels.base = sign * (low_b if levels.base_is == OF_LAST_BAR else low_d)


@compiled
def weigh(columns: Floats, spots: Integers, numbers: Any, rules: Any, out: Any) -> None:
    """Measure and weigh bars; the same in every setup."""
    weighed(measure, weigh_one, columns, spots, numbers, rules, out)


def _of_true_doji(fit: Fit, numbers: DojiPauseNumbers) -> float:
    high, low, body_a = fit.at(HIGH, 1), fit.at(LOW, 1), abs(fit.at(CLOSE, 2) - fit.at(OPEN, 2))
    allowed = max(numbers.doji_body * (high - low), numbers.doji_body_of_drive * body_a)
    return allowed / (high - low) if high > low else numbers.doji_body


def words(fit: Fit, numbers: DojiPauseNumbers) -> Words:
    """Put the rules, the points of evidence and the levels of a bar into words."""
    above = fit.word("above", "below")
    small = numbers.pause == "small_bar"
    pause = "small bar" if small else "doji"
    momentum = f"bars since the MACD line crossed {above} its signal"
    if isnan(fit.measured[MOMENTUM]):
        momentum = f"the MACD line is not {above} its signal"
    allowed = number(fit.measured[ALLOWED])
    least = numbers.small_body if small else numbers.doji_body
    low, high = fit.word("low", "high"), fit.word("high", "low")
    base = {
        OF_DOJI: f"the doji's {low}",
        OF_DOJI_SINCE_FAR: f"the doji's {low}, since the last bar's is more than {fit.rules.stop_far:g} ATR away",
        OF_LAST_BAR: f"the last bar's {low}",
    }[int(fit.levels["base_is"])]
    rules = [
        ("> 0", f"smaller of the two drives' bodies, counted {fit.word('up', 'down')}"),
        (f">= {numbers.drive_min:g}", "first drive's body in usual bodies"),
        (f"<= {numbers.drive_max_atr:g}", "longer drive's range in ATR"),
        (f">= {numbers.solid:g}", "less solid drive's body as a fraction of its range"),
        (f"<= {least if allowed is None else allowed:g}", f"{pause}'s body as a fraction of its range"),
        (
            f"<= {numbers.small_range if small else numbers.doji_range:g}",
            f"{pause}'s range as a fraction of the first drive's",
        ),
        (f"{1 / numbers.alike:.4g} to {numbers.alike:g}", "second drive's body as a fraction of the first's"),
        ("> 0", f"how far the last close lies beyond the first drive's close and the {pause}"),
        (f"<= {numbers.cross_window}", momentum),
        (f">= {BARS}", "bars of the three that traded"),
    ]
    points = {
        "engulfing": (
            "covers it",
            "first drive's body in bodies of the bar before, which went the other way and which it covers",
        ),
        "doji_inside": ("<= 0", "how far the doji reaches beyond the first drive's range"),
        "doji_tight": (f"<= {numbers.doji_tight:g}", "doji's range as a fraction of the first drive's"),
        "beyond_fast_average": evidence.beyond_average_words(fit, FAST_AVERAGE),
        "beyond_slow_average": evidence.beyond_average_words(fit, SLOW_AVERAGE),
        "volume": evidence.volume_words(fit, VOLUMES),
        "true_doji": (
            f"<= {_of_true_doji(fit, numbers):g}",
            "small bar's body as a fraction of its range",
        ),
    }
    return Words(rules, points, f"the last bar's {high}", base)


SETUP = Setup(
    name="doji_pause",
    title="doji pause",
    summary=(
        "A strong bar, a bar of indecision, and a second strong bar of about the same size in the same direction. "
        "The idea, unproven: the pause did not turn the move."
    ),
    bars=(("A", "first drive"), ("D", "doji"), ("B", "second drive")),
    looks_back=3,
    numbers=DojiPauseNumbers,
    rules=RULES,
    extra=1,
    find=find,
    measure=measure,
    weigh=weigh,
    words=words,
    points=POINTS,
    places=("line", "average", "level", "turn"),
    by_default=True,
    forming=Forming(find_forming, next_bar),
)
