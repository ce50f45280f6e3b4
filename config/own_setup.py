"""A setup of your own, as an example: two steps, each of which closes further on after a wide bar.

It was made up to show how a setup is written, with as few rules as possible. Nothing is claimed about it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pydantic import Field

from scanner.analysis.bar_sides import all_hold, closing, divided, extent, highest, lowest_of, opening, tie
from scanner.analysis.columns import ATR, CLOSE, FAST_AVERAGE
from scanner.analysis.door import evidence
from scanner.analysis.door.searching import LONG, SHORT, searched, weighed
from scanner.analysis.door.setup import Fit, Forming, Numbers, Setup, Words
from scanner.analysis.next_bar import Need
from scanner.compiling import compiled

if TYPE_CHECKING:
    from scanner.analysis.door.searching import Floats, Integers, Marks
    from scanner.analysis.next_bar import Before

RULES = ("wide", "direction", "steps")
WIDE, DIRECTION, STEPS = range(len(RULES))
POINTS = ("beyond_fast_average", "volume")
BEYOND_FAST, VOLUMES = range(len(POINTS))
SIZES = (len(RULES), len(RULES))


class TwoStepsNumbers(Numbers):
    """The numbers that a configuration may change."""

    wide_min: float = Field(1.5, gt=0, description="least range of the wide bar, in ATR")


@compiled
def measure(series: Floats, t: int, sign: float, numbers: Any, measured: Floats, verdicts: Marks) -> bool:
    """Measure every rule on the wide bar t−2 and the steps t−1 and t."""
    wide, equal = t - 2, tie(series, t - 2, t)
    atr = series[ATR, t - 3]  # from before the wide bar, which would raise it
    measured[WIDE] = divided(extent(series, wide), atr)
    verdicts[WIDE] = extent(series, wide) >= numbers.wide_min * atr - equal
    measured[DIRECTION] = closing(series, wide, sign) - opening(series, wide, sign)
    verdicts[DIRECTION] = measured[DIRECTION] > equal
    first = closing(series, t - 1, sign) - closing(series, wide, sign)
    second = closing(series, t, sign) - closing(series, t - 1, sign)
    measured[STEPS] = min(first, second)
    verdicts[STEPS] = measured[STEPS] > equal
    return all_hold(verdicts, len(RULES))


@compiled
def mark(series: Floats, first: int, stop: int, numbers: Any, marks: Marks) -> None:
    """Mark the bars after a wide one, in both directions; a little more than ``measure`` lets through."""
    for i in range(stop - first):
        wide, atr = first + i - 2, series[ATR, first + i - 3]
        marks[i] = LONG | SHORT if extent(series, wide) >= 0.99 * numbers.wide_min * atr else 0


@compiled
def find(
    columns: Floats, rows: Integers, first: Integers, stop: Integers, numbers: Any, marks: Marks, found: Integers
) -> int:
    """Give the bars of many series at which every rule holds; the same in every setup."""
    return searched(mark, measure, SIZES, columns, rows, first, stop, numbers, marks, found)


# The functions up to next_bar are needed only to announce the setup one bar ahead, with forming = true.
@compiled
def holds_so_far(series: Floats, p: int, sign: float, numbers: Any, _measured: Floats, _verdicts: Marks) -> bool:
    """Whether all that is asked of the bars up to p holds: the wide bar p−1, and the first step p."""
    wide, atr, equal = p - 1, series[ATR, p - 2], tie(series, p - 1, p)
    begun = closing(series, wide, sign) - opening(series, wide, sign) > equal
    stepped = closing(series, p, sign) - closing(series, wide, sign) > equal
    return begun and stepped and extent(series, wide) >= numbers.wide_min * atr - equal


@compiled
def mark_any(series: Floats, first: int, stop: int, numbers: Any, marks: Marks) -> None:  # noqa: ARG001 - as in every mark
    """Mark every bar, which is fine if few are looked at."""
    marks[: stop - first] = LONG | SHORT


@compiled
def find_forming(
    columns: Floats, rows: Integers, first: Integers, stop: Integers, numbers: Any, marks: Marks, found: Integers
) -> int:
    """Give the bars of many series after which the setup may come."""
    return searched(mark_any, holds_so_far, (0, 0), columns, rows, first, stop, numbers, marks, found)


def next_bar(before: Before, numbers: TwoStepsNumbers) -> list[Need]:
    """Give all that the bar after p must do; prices are as the setup's side sees them."""
    del numbers
    return [Need("close", least=before.closing(), beyond=True, why="the second step")]


@compiled
def weigh_one(
    series: Floats,
    t: int,
    sign: float,
    _numbers: Any,
    rules: Any,
    _measured: Floats,
    points: Floats,
    held: Marks,
    levels: Any,
) -> None:
    """Count the evidence, and give the levels: real prices, so they are reflected back."""
    points[BEYOND_FAST], held[BEYOND_FAST] = evidence.beyond_average(series, t, sign, FAST_AVERAGE)
    points[VOLUMES], held[VOLUMES] = evidence.volume(series, t, rules)
    levels.trigger, levels.base = sign * highest(series, t, sign), sign * lowest_of(series, t - 1, t, sign)
    levels.beyond = series[CLOSE, t - 2]


@compiled
def weigh(columns: Floats, spots: Integers, numbers: Any, rules: Any, out: Any) -> None:
    """Measure and weigh bars; the same in every setup."""
    weighed(measure, weigh_one, columns, spots, numbers, rules, out)


def words(fit: Fit, numbers: TwoStepsNumbers) -> Words:
    """Put the rules, the points of evidence and the levels of a bar into words."""
    rules = [
        (f">= {numbers.wide_min:g}", "wide bar's range in ATR"),
        ("> 0", f"how far the wide bar closes {fit.word('above', 'below')} its open"),
        ("> 0", f"smaller of the two {fit.word('rises', 'falls')} from close to close"),
    ]
    points = {
        "beyond_fast_average": evidence.beyond_average_words(fit, FAST_AVERAGE),
        "volume": evidence.volume_words(fit, VOLUMES),
    }
    return Words(
        rules,
        points,
        f"the last bar's {fit.word('high', 'low')}",
        f"the {fit.word('low', 'high')} of the steps",
        f"a close {fit.word('below', 'above')} that of the wide bar",
    )


SETUP = Setup(
    name="two_steps",
    title="two steps",
    summary=(
        "After a wide bar, two bars in a row close further on. An invented example of a setup of your own; "
        "nothing is claimed of it."
    ),
    bars=(("W", "wide bar"), ("1", "first step"), ("2", "second step")),
    looks_back=3,
    numbers=TwoStepsNumbers,
    rules=RULES,
    find=find,
    measure=measure,
    weigh=weigh,
    words=words,
    points=POINTS,
    forming=Forming(find_forming, next_bar),
)
