"""The truth about feeds of a kind, as far as it can be known, compared with their reports.

It is the mean over the trades of all feeds of the kind: about a hundred times as many as in one study, so its own error
is a tenth of the width of an interval, or less.
"""

from __future__ import annotations

from math import fsum
from typing import TYPE_CHECKING

from tests.honesty.rates import Rate

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from scanner.studies.figures.results import AgainstChance, Interval
    from scanner.studies.schema import Source
    from tests.honesty.feeds import Told

COVERS = 0.93, 0.97
"""How often an interval at 95 % should contain the truth."""
BESIDE: dict[Source, str] = {"chance": "random bars", "chance_cross": "those with a fresh cross"}


def mean_of_means(means: Iterable[tuple[Interval, int]]) -> float:
    """Give the mean of means, weighted by the number of values of each; 0 if there are none."""
    known = [(each.value, count) for each, count in means if each.value is not None]
    return fsum(value * count for value, count in known) / max(sum(count for _, count in known), 1)


def true_mean(told: Sequence[Told]) -> float:
    """Give the mean R of all trades."""
    return mean_of_means((each.verdict.mean, each.verdict.trades) for each in told)


def beside(told: Sequence[Told], source: Source) -> list[AgainstChance]:
    """Give the comparison with one kind of controls in each report."""
    return [chance for each in told for chance in each.chance if chance.source == source]


def true_difference(of_them: Sequence[AgainstChance]) -> float:
    """Give the mean difference of all setups from their controls."""
    return mean_of_means((each.difference, each.setups) for each in of_them)


def coverage(told: Sequence[Told], of: str) -> list[Rate]:
    """Give how often the intervals of the mean, and of the differences from chance, contain the truth."""
    rows = [holds("true mean within its interval", [each.verdict.mean for each in told], true_mean(told), of)]
    for source, words in BESIDE.items():
        of_them = beside(told, source)
        intervals = [each.difference for each in of_them]
        rows.append(holds(f"true difference from {words} within its interval", intervals, true_difference(of_them), of))
    return rows


def holds(name: str, intervals: Iterable[Interval], truth: float, of: str) -> Rate:
    """Count the given intervals that contain the truth."""
    given = [(each.low, each.high) for each in intervals if each.low is not None and each.high is not None]
    return Rate(name, sum(low <= truth <= high for low, high in given), len(given), *COVERS, of)
