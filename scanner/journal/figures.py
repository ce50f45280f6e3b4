"""Results in figures, with how uncertain they are."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from math import sqrt
from typing import TYPE_CHECKING

import numpy as np

from scanner.market.price_steps import EXACT

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

Z_95 = 1.959963984540054
"""The standard normal distribution has 95 % between minus and plus this."""
TOO_FEW = 20
"""With fewer results, an interval says too little to be shown."""
RESAMPLES, SEED, BLOCK = 10_000, 20_260_302, 200_000


@dataclass(frozen=True, slots=True)
class JournalFigures:
    """The results of some closed setups, in R before costs.

    ``mean`` is to hundredths, None without any. ``share_between`` and ``mean_between`` are the 95 % intervals of the
    share of winners and of the mean; None below TOO_FEW results. ``without_best`` is the sum without the best result.
    ``cost`` sums the costs of those ``costed`` setups whose costs are known.
    """

    closed: int
    winners: int
    total: Decimal
    without_best: Decimal
    mean: Decimal | None
    share_between: tuple[float, float] | None
    mean_between: tuple[float, float] | None
    cost: Decimal
    costed: int


def figures(results: Sequence[Decimal], costs: Sequence[Decimal | None] = ()) -> JournalFigures:
    """Work out the figures of results; a winner is one above 0."""
    total = sum(results, Decimal(0))
    winners = sum(each > 0 for each in results)
    known = [each for each in costs if each is not None]
    enough = len(results) >= TOO_FEW
    return JournalFigures(
        closed=len(results),
        winners=winners,
        total=total,
        without_best=total - max(results, default=Decimal(0)),
        mean=_mean(total, len(results)) if results else None,
        share_between=wilson(winners, len(results)) if enough else None,
        mean_between=bootstrap([float(each) for each in results]) if enough else None,
        cost=sum(known, Decimal(0)),
        costed=len(known),
    )


def _mean(total: Decimal, count: int) -> Decimal:
    return EXACT.add(EXACT.quantize(EXACT.divide(total, count), Decimal("0.01")), 0)  # avoid negative zero


def wilson(successes: float, count: float) -> tuple[float, float]:
    """Give the 95 % interval of a share: the score interval without correction for continuity.

    Wilson, E. B. (1927), «Probable inference, the law of succession, and statistical inference», Journal of the
    American Statistical Association 22, pages 209 to 212. ``count`` is at least 1.

    >>> low, high = wilson(0, 10)
    >>> f"{low:.4f} {high:.4f}"
    '0.0000 0.2775'
    """
    share, square = successes / count, Z_95 * Z_95
    middle = (share + square / (2 * count)) / (1 + square / count)
    half = Z_95 * sqrt(share * (1 - share) / count + square / (4 * count * count)) / (1 + square / count)
    return max(middle - half, 0.0), min(middle + half, 1.0)


def bootstrap(values: Sequence[float]) -> tuple[float, float]:
    """Give the 95 % interval of a mean by the bootstrap; the order of the values changes nothing.

    RESAMPLES samples are drawn from at least two values, with replacement. Each end is that of the bootstrap-t (means
    of samples off the mean, in errors of their own sample) or of the percentiles of these means, whichever is further
    out (Efron & Tibshirani, An Introduction to the Bootstrap, 1993, chapters 12 and 13; from memory). Of few results,
    percentiles alone miss the true mean too often if these are skewed, and the bootstrap-t alone if many samples have
    nothing but losses.
    """
    source, chance = np.sort(values), np.random.default_rng(SEED)
    mean, error, count = source.mean(), _error(source), len(source)
    step = max(BLOCK // count, 1)  # keeps the memory for each block of draws small
    off, errors = np.empty(RESAMPLES), np.empty(RESAMPLES)
    for done in range(0, RESAMPLES, step):
        drawn = source[chance.integers(0, count, (min(step, RESAMPLES - done), count))]
        off[done : done + step], errors[done : done + step] = drawn.mean(axis=1) - mean, _error(drawn)
    t = np.divide(off, errors, out=np.zeros_like(off), where=errors > 0)
    (low, high), (near, far) = (np.quantile(each, (0.025, 0.975)) for each in (off, t))
    return float(mean + min(low, -error * far)), float(mean + max(high, -error * near))


def _error(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Give the standard errors of means along the last axis."""
    errors: NDArray[np.float64] = values.std(axis=-1, ddof=1) / sqrt(values.shape[-1])
    return errors
