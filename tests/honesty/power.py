"""What studies say of feeds with a planted edge: found as often as is stated, and covered."""

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

PUSHES = {0.1: 0.0125, 0.2: 0.025, 0.4: 0.05}
"""By the edge that is wanted in R, how far each bar is pushed for it in R: an eighth, since a trade is pushed for about
eight bars. What the edge truly comes to is measured."""
KINDS = tuple(Kind(f"a planted edge of {edge} R", 12, 2_520, push) for edge, push in PUSHES.items())
OFF = 0.05
"""How far the share in which an edge is found may be from the power that is stated."""
NORMAL = NormalDist()
STATED = 0.8
"""The power at which a report names the smallest mean that its trades could tell from 0."""


def measured(feeds: int, seed: int, workers: int) -> list[Rate]:
    """Make and study so many feeds of each kind, and give the rates."""
    which = [(kind, number) for kind in KINDS for number in range(feeds)]
    return rates(list(worked("feeds with a planted edge", partial(told_of, seed=seed), which, workers)))


def rates(told: Sequence[Told]) -> list[Rate]:
    """Give the rates of each planted edge."""
    return [row for kind in KINDS for row in of_kind(kind, [each for each in told if each.kind == kind])]


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
    """Say how often such trades tell an edge from 0, by plain normal theory; never where they are too few.

    ``smallest`` is the edge that they tell from 0 in 80 of 100 cases.

    >>> round(power(0.2, 0.2), 3), round(power(0.2, 0.1), 3)
    (0.8, 0.288)
    """
    if smallest is None:
        return 0.0
    beyond = NORMAL.inv_cdf(0.975)
    return NORMAL.cdf(edge / smallest * (beyond + NORMAL.inv_cdf(STATED)) - beyond)
