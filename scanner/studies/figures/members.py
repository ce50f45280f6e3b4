"""Which closed trades each variant of the rules has, and groups of trades compared with one of them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from scanner.studies.figures.months import Resampled, differences, means, too_few, weights
from scanner.studies.figures.results import Interval
from scanner.studies.figures.several import singly

if TYPE_CHECKING:
    from collections.abc import Callable

    import pandas as pd
    from numpy.typing import NDArray

    from scanner.studies.schema import Study

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]
    Flags = NDArray[np.bool_]

NO_ERROR = 1e-9
"""An error below this, in R, comes from rounding: the figure does not vary."""


@dataclass(frozen=True, slots=True)
class Members:
    """Closed trades of setups of any variant, and which variant has which: ``has`` is by variant and trade.

    They are sorted by ``month``, in which a trade was found; ``ended_at`` is in nanoseconds since 1970 UTC.
    """

    net_r: Floats
    month: Integers
    ended_at: Integers
    has: Flags

    @classmethod
    def of(cls, study: Study) -> Members:
        """Take them from a study; the order of its rows changes nothing."""
        trades = study.trades
        closed = trades[(trades["source"] == "setup") & trades["net_r"].notna()].sort_values(["month", "id"])
        names = pa.array([variant.name for variant in study.variants], pa.large_string())
        variant = _places(study.members["variant"], names)
        row = _places(study.members["id"], pa.array(closed["id"]))
        both = (variant >= 0) & (row >= 0)
        has = np.zeros((len(names), len(closed)), dtype=np.bool_)
        has[variant[both], row[both]] = True
        net_r, month = closed["net_r"].to_numpy(), closed["month"].to_numpy()
        ended_at = np.asarray(closed["ended_at"].astype("int64"), dtype=np.int64)
        return cls(net_r, month, ended_at, has).only(np.logical_or.reduce(has))

    def only(self, which: Flags) -> Members:
        """Keep some of the trades."""
        return Members(self.net_r[which], self.month[which], self.ended_at[which], self.has[:, which])

    def by_month(self) -> tuple[Floats, Floats]:
        """Give the number of trades and their sum of R by variant and month, for months with any trade."""
        months, starts = np.unique(self.month, return_index=True)
        count, total = np.zeros((2, len(self.has), len(months)))
        for variant, own in enumerate(self.has):
            np.add.reduceat(own, starts, dtype=np.float64, out=count[variant])
            np.add.reduceat(np.where(own, self.net_r, 0.0), starts, out=total[variant])
        return count, total


def enough(count: Floats) -> Flags:
    """Say which groups, by their numbers of trades per month, have enough for an interval."""
    sizes = zip(count.sum(axis=1).tolist(), (count > 0).sum(axis=1).tolist(), strict=True)
    return np.array([not too_few(trades, months) for trades, months in sizes], dtype=np.bool_)


def _places(values: pd.Series, among: pa.Array) -> Integers:
    """Give the index of each value among others, -1 for none."""
    found = pc.fill_null(pc.index_in(pa.array(values), value_set=among), -1)
    return np.array(found, dtype=np.int64)


@dataclass(frozen=True, slots=True)
class GroupFigure:
    """A figure of several groups: ``interval`` is by group, without ends if there is too little.

    ``which`` are the groups that have ends, in the order of ``resampled``; None if no group has.
    """

    interval: list[Interval]
    which: list[int]
    resampled: Resampled | None

    @classmethod
    def of(
        cls,
        value: list[float | None],
        groups: Flags,
        resampled: Resampled | None,
        intervals: Callable[[Resampled], list[Interval]],
    ) -> GroupFigure:
        """Take a figure of all groups, and how it varies for the ``groups`` with enough trades, if any.

        A figure that is the same in all months has no error, so it has no interval either.
        """
        interval = [Interval(each) for each in value]
        if resampled is None or not (varies := resampled.error > NO_ERROR).any():
            return cls(interval, [], None)
        of_them = (resampled.value, resampled.error, resampled.t, resampled.freedom)
        kept = Resampled(*(each[varies] for each in of_them))
        which = np.flatnonzero(groups)[varies].tolist()
        for group, found in zip(which, intervals(kept), strict=True):
            interval[group] = found
        return cls(interval, which, kept)


@dataclass(frozen=True, slots=True)
class Groups:
    """Groups of trades compared with the first of them; ``closed`` and ``months`` count by group.

    All figures are of the same samples of the months, ``months_in_all``, in which any trade was found.
    """

    closed: list[int]
    months: list[int]
    months_in_all: int
    mean: GroupFigure
    difference: GroupFigure


def beside_first(members: Members, samples: int, seed: int) -> Groups:
    """Compare each variant with the first; there is at least one.

    A difference has an interval only if the trades that one of the two has and the other lacks are enough for one as
    well: an improvement by a few trades says nothing about a rule.
    """
    count, total = members.by_month()
    apart, _ = replace(members, has=members.has ^ members.has[0]).by_month()
    of_means = of_differences = None
    for_mean = enough(count)
    for_difference = for_mean & for_mean[0] & enough(apart)
    if for_mean.any():
        drawn = weights(count.shape[1], samples, seed)
        of_means = means(count[for_mean], total[for_mean], drawn)
        if for_difference.any():
            of_differences = differences(count[for_difference], total[for_difference], count[:1], total[:1], drawn)
    closed, in_all = count.sum(axis=1).astype(int).tolist(), total.sum(axis=1).tolist()
    mean = [own / size if size else None for own, size in zip(in_all, closed, strict=True)]
    difference = [None if own is None or mean[0] is None else own - mean[0] for own in mean]
    return Groups(
        closed,
        (count > 0).sum(axis=1).tolist(),
        count.shape[1],
        GroupFigure.of(mean, for_mean, of_means, Resampled.intervals),
        GroupFigure.of(difference, for_difference, of_differences, singly),
    )
