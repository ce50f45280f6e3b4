"""Studies of feeds of pure chance: they rarely claim an edge, and their intervals contain the truth."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from tests.honesty import questions
from tests.honesty.feeds import Kind, bars_of, studied, told_on
from tests.honesty.questions import asked
from tests.honesty.rates import CLAIMS, Rate
from tests.honesty.truth import BESIDE, beside, coverage, true_difference, true_mean
from tests.honesty.working import worked

if TYPE_CHECKING:
    from collections.abc import Sequence

    from scanner.studies.figures.results import Interval
    from tests.honesty.feeds import Told
    from tests.honesty.questions import Answers

KINDS = (
    Kind("12 instruments, 10 years", 12, 2_520),
    Kind("40 instruments, 4 years", 40, 1_000),
    Kind("9 instruments, 3 years", 9, 750),
)
"""About 350 trades in 108 months, 400 in 36, and 60 in 24, which is hardly enough: the first year is warm-up."""


def measured(feeds: int, seed: int, workers: int) -> list[Rate]:
    """Make and study feeds of each kind, and give the rates."""
    which = [(kind, number) for kind in KINDS for number in range(feeds)]
    found = list(worked("feeds of pure chance", partial(answered, seed=seed), which, workers))
    return [*rates([told for told, _ in found]), *questions.rates([answers for _, answers in found])]


def answered(which: tuple[Kind, int], seed: int) -> tuple[Told, Answers]:
    """Make and study a feed, and give the figures of its report and the answers to many questions."""
    kind, number = which
    study = studied(bars_of(kind, number, seed), number)
    return told_on(kind, study), asked(study)


def rates(told: Sequence[Told]) -> list[Rate]:
    """Give the rates over all feeds of pure chance, and then for each kind of them."""
    apart = [of_kind(kind, [each for each in told if each.kind == kind]) for kind in KINDS]
    together = [Rate.of_all(rows, "pure chance, all of the feeds below") for rows in zip(*apart, strict=True)]
    return [row for rows in (together, *apart) for row in rows]


def of_kind(kind: Kind, told: Sequence[Told]) -> list[Rate]:
    """Give the rates of feeds of one kind."""
    above = true_difference(beside(told, "chance"))
    of = f"pure chance, {kind.name}; true mean {true_mean(told):+.3f} R, above random bars {above:+.3f} R"
    claimed = sum(each.verdict.kind == "edge" for each in told)
    return [
        Rate("an edge is claimed", claimed, len(told), most=CLAIMS, of=of),
        Rate("one would be if the true figures were 0", _above_the_truth(told), len(told), most=CLAIMS, of=of),
        *coverage(told, of),
    ]


def _above_the_truth(told: Sequence[Told]) -> int:
    """Count the feeds in which every figure that a claim needs lies above the truth, as for a claim it lies above 0."""
    mean = true_mean(told)
    differences = {source: true_difference(beside(told, source)) for source in BESIDE}
    return sum(
        _above(each.verdict.mean, mean)
        and all(_above(chance.difference, differences[chance.source]) for chance in each.chance)
        for each in told
    )


def _above(interval: Interval, truth: float) -> bool:
    return interval.low is not None and interval.low > truth
