"""Setups compared with random trades on the same bars: the difference, and how often chance does as well."""

from __future__ import annotations

from dataclasses import dataclass
from math import fsum
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from scanner.studies.figures.months import by_month, chance_of, means, too_few, weights
from scanner.studies.figures.results import AgainstChance, Interval
from scanner.studies.schema import SOURCES

if TYPE_CHECKING:
    from scanner.studies.figures.months import Floats, Integers
    from scanner.studies.schema import Source

MOST_PICKED, FEWEST_PICKS = 5_000_000, 100
"""Controls picked in all; the second number is the fewest picks for each setup."""
TIE = 1e-9
"""Values within this of each other in R count as equal: sums are rounded."""


@dataclass(frozen=True, slots=True)
class Pairs:
    """Closed setups with their closed controls of one source.

    ``result`` and ``month`` are those of the setups. The controls of setup i are ``controls`` from ``first[i]`` on,
    ``many[i]`` of them.
    """

    source: Source
    month: Integers
    result: Floats
    controls: Floats
    first: Integers
    many: Integers

    @classmethod
    def of(cls, setups: pd.DataFrame, controls: pd.DataFrame, source: Source) -> Pairs:
        """Pair closed setups with their controls; those without any are left out."""
        place = pd.Index(setups["id"]).get_indexer(controls["of"])
        result = controls["net_r"].to_numpy(np.float64)
        counts = (place >= 0) & ~np.isnan(result) & (controls["source"] == source).to_numpy(np.bool_)
        place, result = place[counts], result[counts]
        order = np.lexsort((result, place))
        own, first, many = np.unique(place[order], return_index=True, return_counts=True)
        month, of_setups = setups["month"].to_numpy(np.int64), setups["net_r"].to_numpy(np.float64)
        return cls(source, month[own], of_setups[own], result[order], first, many)

    @property
    def too_few(self) -> bool:
        """Whether there are too few setups, or months with setups, for an interval."""
        return too_few(len(self.result), len(np.unique(self.month)))

    def against_chance(self, samples: int, seed: int) -> AgainstChance:
        """Compare the setups with their controls; controls are averaged for each setup, and so weigh as much."""
        chance, size = self._averages(), len(self.result)
        setup_mean, chance_mean, difference = (
            Interval(fsum(values) / size if size else None) for values in (self.result, chance, self.result - chance)
        )
        as_well = None
        if not self.too_few:
            count, *totals = by_month(self.month, self.result, chance, self.result - chance)
            drawn = weights(len(count), samples, seed)
            setup_mean, chance_mean, difference = means(count[None], np.array(totals), drawn).intervals()
            as_well = self._as_well(drawn, count, seed)
        return AgainstChance(
            source=self.source,
            setups=size,
            controls=len(self.controls),
            months=len(np.unique(self.month)),
            too_few=self.too_few,
            setup_mean=setup_mean,
            chance_mean=chance_mean,
            difference=difference,
            as_well=as_well,
        )

    def difference(self, level: float, samples: int, seed: int) -> Interval:
        """Give the difference of the setups from chance, with the interval at a level."""
        above = self.result - self._averages()
        if self.too_few:
            return Interval(fsum(above) / len(above) if len(above) else None)
        count, total = by_month(self.month, above)
        return means(count[None], total[None], weights(len(count), samples, seed)).intervals(level)[0]

    def _averages(self) -> Floats:
        averages: Floats = np.add.reduceat(self.controls, self.first) / self.many
        return averages

    def _as_well(self, drawn: Floats, count: Floats, seed: int) -> float:
        """Give the share of samples in which one control for each setup has at least the setups' mean.

        With many setups, samples of months share picks of controls.
        """
        size, samples = len(self.result), len(drawn)
        picks = min(samples, max(FEWEST_PICKS, MOST_PICKED // size))
        chance = chance_of(seed, self.source, size)
        _, month = np.unique(self.month, return_inverse=True)
        totals = np.empty((picks, len(count)))
        for row in totals:
            picked = self.first + (chance.random(size) * self.many).astype(np.int64)
            row[:] = np.bincount(month, weights=self.controls[picked])
        of_months = drawn * totals[np.arange(samples) % picks]
        reached = of_months.sum(axis=1) / (drawn @ count)
        return float((reached >= fsum(self.result) / size - TIE).mean())


def pairs_of(setups: pd.DataFrame, trades: pd.DataFrame) -> tuple[Pairs, ...]:
    """Pair closed setups with their controls, once for each source in the trades of a study."""
    controls = trades[trades["source"] != "setup"]
    there = set(controls["source"].unique())
    return tuple(Pairs.of(setups, controls, source) for source in SOURCES if source in there)
