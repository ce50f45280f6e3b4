"""How often intervals from whole months contain the truth: ``python -m tests.studies.figures.coverage``.

Trades are invented and skewed, in months of equal and of very different sizes, independent and correlated within
months. For each kind it prints how often the interval contains the true mean, by three ways of making one, the true
share of winners, and the true median; then how often an interval at the level of many looks lies above the truth, which
is a false claim. ``--runs`` is the number of samples of each kind.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass, field
from functools import cache
from itertools import product
from statistics import NormalDist
from typing import TYPE_CHECKING

import numpy as np

from scanner.journal.figures import wilson
from scanner.studies.figures.months import (
    Resampled,
    by_month,
    design_effects,
    means,
    median_between,
    ratios,
    share_between,
    weights,
)
from scanner.wording.tables import table

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from scanner.studies.figures.results import Interval

    Floats = NDArray[np.float64]

SAMPLES = 10_000
SIZES = ((24, 60), (24, 240), (60, 120), (120, 240))
"""Months and trades."""
LOOKS = (1, 10, 100)
WINNERS, GAIN, LOSS = 0.4, 2.0, 0.8
TRUE_MEAN = WINNERS * GAIN - (1 - WINNERS) * LOSS
TRUE_MEDIAN = -1 + (0.5 / (1 - WINNERS) - 0.6) / 0.4
"""A loss is 1 or, two times in five, anything up to that."""
HEAVY = 0.9
"""The standard deviation of the logarithm of heavy-tailed gains; other gains are exponential."""
WAYS = ("bootstrap-t", "percentiles", "BCa", "share", "Wilson alone", "median")


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of invented trades: ``together`` is the difference of good and bad months in their share of winners."""

    months: int
    trades: int
    uneven: bool
    together: float
    heavy: bool

    @property
    def name(self) -> str:
        """Name the kind in words."""
        size = "uneven" if self.uneven else "even"
        gains = "heavy" if self.heavy else "skewed"
        return f"{self.trades} in {self.months} {size} months, {'together' if self.together else 'alone'}, {gains}"

    def invent(self, rng: np.random.Generator) -> tuple[NDArray[np.int64], Floats]:
        """Give months and results."""
        size = rng.lognormal(0, 1.2, self.months) if self.uneven else np.ones(self.months)
        month = rng.choice(self.months, self.trades, p=size / size.sum())
        good = np.where(rng.random(self.months) < 0.5, WINNERS - self.together, WINNERS + self.together)
        heavy = rng.lognormal(np.log(GAIN) - HEAVY**2 / 2, HEAVY, self.trades)
        gain = heavy if self.heavy else rng.exponential(GAIN, self.trades)
        lost = np.where(rng.random(self.trades) < 0.6, 1.0, rng.random(self.trades))
        return month, np.where(rng.random(self.trades) < good[month], gain, -lost)


@dataclass(slots=True)
class Held:
    """How often intervals contained the truth, and lay above or below it at the level of many looks."""

    held: Floats = field(default_factory=lambda: np.zeros(len(WAYS)))
    above: Floats = field(default_factory=lambda: np.zeros(len(LOOKS)))
    below: Floats = field(default_factory=lambda: np.zeros(len(LOOKS)))


@cache
def drawn_of(months: int) -> Floats:
    """Draw months once for all: the invented trades differ each time."""
    return weights(months, SAMPLES, 0)


def corrected(count: Floats, total: Floats, sampled: Floats) -> tuple[float, float]:
    """Give the BCa interval of Efron & Tibshirani, chapter 14 (from memory): accelerated by the jackknife of months."""
    normal = NormalDist()
    value = total.sum() / count.sum()
    left = (total.sum() - total) / (count.sum() - count)
    off = left.mean() - left
    faster = (off**3).sum() / (6 * (off**2).sum() ** 1.5)
    bias = normal.inv_cdf(float(np.clip((sampled < value).mean(), 1e-4, 1 - 1e-4)))
    ends = [bias + normal.inv_cdf(share) for share in (0.025, 0.975)]
    low, high = np.quantile(sampled, [normal.cdf(bias + end / (1 - faster * end)) for end in ends])
    return float(low), float(high)


def try_once(kind: Kind, rng: np.random.Generator, held: Held) -> None:
    """Invent trades once and see which intervals contain the truth."""
    month, result = kind.invent(rng)
    won, at_most = result > 0, result <= np.median(result)
    count, total, winners, below = by_month(month, result, won.astype(np.float64), at_most.astype(np.float64))
    drawn = drawn_of(len(count))
    sampled = (drawn @ total) / (drawn @ count)
    of_mean: Resampled = means(count[None], total[None], drawn)
    share = ratios(count[None], winners[None])
    effect = design_effects(np.array([len(result)]), np.array([won.std(ddof=1)]), share.error)
    middle = median_between(np.sort(result), means(count[None], below[None], drawn).intervals()[0])
    low, high = np.quantile(sampled, (0.025, 0.975))
    intervals = (
        (_ends(of_mean.intervals()[0]), TRUE_MEAN),
        ((low, high), TRUE_MEAN),
        (corrected(count, total, sampled), TRUE_MEAN),
        (_ends(share_between(int(won.sum()), len(result), float(effect[0]), float(share.freedom[0]))), WINNERS),
        (wilson(int(won.sum()), len(result)), WINNERS),
        (_ends(middle), TRUE_MEDIAN),
    )
    held.held += [low <= true <= high for (low, high), true in intervals]
    for place, looks in enumerate(LOOKS):
        low, high = _ends(of_mean.intervals(1 - 0.05 / looks)[0])
        held.above[place] += low > TRUE_MEAN
        held.below[place] += high < TRUE_MEAN


def _ends(interval: Interval) -> tuple[float, float]:
    return (-np.inf if interval.low is None else interval.low, np.inf if interval.high is None else interval.high)


def lines(runs: int, kinds: Sequence[Kind]) -> list[str]:
    """Measure, and give the lines of the table."""
    covered, claimed = [], []
    for number, kind in enumerate(kinds):
        rng, held = np.random.default_rng(number), Held()
        for _ in range(runs):
            try_once(kind, rng, held)
        covered.append((kind.name, *(f"{100 * each / runs:.1f} %" for each in held.held)))
        sides = (100 * each / runs for pair in zip(held.above, held.below, strict=True) for each in pair)
        claimed.append((kind.name, *(f"{each:.2f} %" for each in sides)))
    heads = [f"{side}, {looks}" for looks in LOOKS for side in ("above", "below")]
    wanted = [f"{2.5 / looks:.2f} %" for looks in LOOKS for _ in range(2)]
    return [
        f"intervals at 95 % that hold the truth, of {runs:,} samples each",
        *table(("trades", *WAYS), covered),
        "",
        "intervals of the mean that lie above or below the truth, at the level of 1, 10 and 100 looks",
        *table(("trades", *heads), [("wanted", *wanted), *claimed]),
    ]


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--runs", type=int, default=1_500, help="samples of each kind")
    runs = parser.parse_args().runs
    kinds = [
        Kind(*size, uneven, together, heavy)
        for size, uneven, together, heavy in product(SIZES, (False, True), (0.0, 0.15), (False, True))
    ]
    print("\n".join(lines(runs, kinds)))


if __name__ == "__main__":
    main()
