"""Many groups of trades together: what may be said of each, and of the best, after looking at all of them.

Groups share their samples of months (``months.Resampled``), which keeps their correlation. The deviation of a sample is
measured in errors of that sample: with one error for all samples, far too much is claimed if outcomes are skewed and
groups differ in few trades. For the same reason a group is compared with the samples of all groups, not only with its
own, which say too little about rare values (``python -m tests.honesty.variants`` measures each).

- Pooled samples of all groups: Storey & Tibshirani, Proceedings of the National Academy of Sciences 100 (2003), pages
  9440 to 9445 (from memory).
- Intervals that hold together: the furthest group of each sample, single step, after Romano & Wolf, Econometrica 73
  (2005), pages 1237 to 1282 (from memory).
- Superior predictive ability: Hansen, Journal of Business & Economic Statistics 23 (2005), pages 365 to 380, but for
  the errors measured in each sample.
- False discovery rate: Benjamini & Hochberg, Journal of the Royal Statistical Society B 57 (1995), pages 289 to 300.
"""

from __future__ import annotations

from math import log, sqrt
from typing import TYPE_CHECKING

import numpy as np

from scanner.studies.figures.months import LEVEL
from scanner.studies.figures.results import Superior

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from scanner.studies.figures.months import Resampled
    from scanner.studies.figures.results import Interval

    Floats = NDArray[np.float64]


TAIL = (1 - LEVEL) / 2


def singly(drawn: Resampled) -> list[Interval]:
    """Give the interval of each group, as if it were the only one."""
    return drawn.within(np.quantile(drawn.t, TAIL), np.quantile(drawn.t, 1 - TAIL))


def together(drawn: Resampled) -> list[Interval]:
    """Give intervals of the groups such that in 95 of 100 cases all of them hold at once.

    None is narrower than the interval of the group alone.
    """
    return drawn.within(np.quantile(drawn.t.min(axis=0), TAIL), np.quantile(drawn.t.max(axis=0), 1 - TAIL))


def chances(drawn: Resampled) -> Floats:
    """Give for each group how often chance alone is as far from 0: two-sided p-values, never 0."""
    t, every = drawn.value / drawn.error, np.sort(drawn.t, axis=None)
    below = np.searchsorted(every, t, side="right")
    above = len(every) - np.searchsorted(every, t, side="left")
    p: Floats = np.minimum(2 * (1 + np.minimum(below, above)) / (1 + len(every)), 1.0)
    return p


def false_discovery(p: Floats) -> Floats:
    """Give q for each p: of the differences claimed at some q, on average at most a share of q is wrong."""
    count = len(p)
    order = np.argsort(p, kind="stable")
    scaled = p[order] * count / np.arange(1, count + 1)
    q = np.empty(count)
    q[order] = np.minimum(np.minimum.accumulate(scaled[::-1])[::-1], 1.0)
    return q


def superior(drawn: Resampled, names: Sequence[str], months: int) -> Superior:
    """Test whether the best of some groups is better than by the luck of the best.

    Their figures are gains over a benchmark, from a number of resampled months. ``best`` is the most errors above 0.
    """
    t = drawn.value / drawn.error
    return Superior(names[int(np.argmax(t))], *chances_of_the_best(t, drawn.t, months))


def chances_of_the_best(t: Floats, off: Floats, months: int) -> tuple[float, float, float]:
    """Give how often the best of worthless groups does as well: the lower, consistent and upper p-value.

    ``t`` is each group's gain in errors, ``off`` the deviation of each sample in errors, by group and sample. For the
    upper p-value every group is assumed to be worth 0; for the lower one, those below 0 to be as bad as they look; for
    the consistent one, only those more than √(2 log log months) errors below 0. If none is above 0, all are 1.
    """
    best = max(float(t.max()), 0.0)
    bad = t < -sqrt(2 * log(log(months)))
    worth = (np.minimum(t, 0.0), np.where(bad, t, 0.0), np.zeros_like(t))
    furthest = [np.maximum((off + each[:, None]).max(axis=0), 0.0) for each in worth]
    as_good = [int((each >= best).sum()) for each in furthest]
    lower, consistent, upper = ((1 + count) / (1 + off.shape[1]) for count in as_good)
    return lower, consistent, upper
