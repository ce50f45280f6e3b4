"""Studies of feeds with a planted edge: they find it as often as they state, and their intervals cover it."""

from __future__ import annotations

from functools import partial
from statistics import NormalDist, fmean
from typing import TYPE_CHECKING

from tests.honesty.feeds import Kind, told_of
from tests.honesty.rates import Rate, percent
from tests.honesty.truth import coverage, true_mean
from tests.honesty.working import worked

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tests.honesty.feeds import Told

KINDS = (
    Kind("a planted edge of 0.1 R, 24 instruments, 10 years", 24, 2_520, 0.0165),
    Kind("a planted edge of 0.2 R, 24 instruments, 10 years", 24, 2_520, 0.029),
    Kind("a planted edge of 0.4 R, 6 instruments, 10 years", 6, 2_520, 0.052),
)
"""Enough instruments for a stated power of about 80 % in the last two, the power for which reports state a mean. More
would hardly find 0.1 R more often, since instruments move together. A bar is pushed by about an eighth of the edge,
since a trade is pushed for about eight bars; the true edge is measured."""
OFF = 0.05
"""The largest difference between the stated power and the share of feeds in which the edge is found."""
NORMAL = NormalDist()
STATED = 0.8
"""The power at which a report names the smallest mean that its trades could tell from 0."""


def measured(feeds: int, seed: int, workers: int) -> list[Rate]:
    """Make and study feeds of each kind, and give the rates."""
    which = [(kind, number) for kind in KINDS for number in range(feeds)]
    return rates(list(worked("feeds with a planted edge", partial(told_of, seed=seed), which, workers)))


def rates(told: Sequence[Told]) -> list[Rate]:
    """Give how often intervals cover over all feeds with a planted edge, and then the rates of each."""
    apart = [of_kind(kind, [each for each in told if each.kind == kind]) for kind in KINDS]
    together = [Rate.of_all(rows, "a planted edge, all of the feeds below") for rows in zip(*apart, strict=True)]
    return [row for rows in (together[2:], *apart) for row in rows]


def of_kind(kind: Kind, told: Sequence[Told]) -> list[Rate]:
    """Give the rates of feeds with one planted edge; it is found where the interval of the mean lies above 0."""
    edge = true_mean(told)
    stated = fmean(power(each.smallest, edge) for each in told)
    found = sum(each.verdict.mean.low is not None and each.verdict.mean.low > 0 for each in told)
    claimed = sum(each.verdict.kind == "edge" for each in told)
    of, name = f"{kind.name}; truly {edge:+.3f} R", f"found; the power stated is {percent(stated)}"
    return [
        Rate(name, found, len(told), max(stated - OFF, 0.0), min(stated + OFF, 1.0), of),
        Rate("claimed, since it is above chance as well", claimed, len(told), of=of),
        *coverage(told, of),
    ]


def power(smallest: float | None, edge: float) -> float:
    """Give how often such trades tell an edge from 0, by plain normal theory; 0 if they are too few.

    ``smallest`` is the edge that they tell from 0 in 80 of 100 cases.

    >>> round(power(0.2, 0.2), 3), round(power(0.2, 0.1), 3)
    (0.8, 0.288)
    """
    if smallest is None:
        return 0.0
    beyond = NORMAL.inv_cdf(0.975)
    return NORMAL.cdf(edge / smallest * (beyond + NORMAL.inv_cdf(STATED)) - beyond)
