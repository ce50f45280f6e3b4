"""Figures of the setups of a study: of all of them, and by the values of a column."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import ceil, fsum, sqrt
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from scanner.studies.figures.months import (
    by_month,
    design_effects,
    means,
    median_between,
    ratios,
    share_between,
    smallest_told,
    too_few,
    weights,
)
from scanner.studies.figures.results import Breakdown, Figures, Interval
from scanner.studies.figures.running import FEW_SHUFFLES, SHUFFLES, beside_shuffles
from scanner.studies.schema import AROUND

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from scanner.studies.figures.months import Floats, Integers

    Flags = NDArray[np.bool_]

BY = (
    "setup",
    "direction",
    "place",
    "evidence_points",
    "exit_style",
    "entry_style",
    "timeframe",
    "instrument",
    "group",
    "year",
    "hour",
)
"""The columns for breakdowns, in addition to the verdict of each surrounding."""
MONTHS = 12
NONE = np.empty(0)


@dataclass(frozen=True, slots=True)
class Setups:
    """Setups found by the rules, in the order of their entries, then of their ids; those never entered come last.

    ``aside`` are those set aside. ``result`` is R net of costs, NaN if there is none.
    """

    aside: Flags
    entered: Flags
    waiting: Flags
    broken_off: Flags
    entered_at: Integers
    month: Integers
    held: Floats
    result: Floats
    cost: Floats
    best: Floats
    worst: Floats
    gapped: Flags
    both: Flags

    @classmethod
    def of(cls, trades: pd.DataFrame) -> Setups:
        """Take the columns needed from a table of trades that holds only setups, sorted by ``in_order``."""
        return cls(
            aside=(trades["set_aside"] != "").to_numpy(np.bool_),
            entered=trades["entry"].notna().to_numpy(np.bool_),
            waiting=(trades["state"] == "waiting").to_numpy(np.bool_),
            broken_off=(trades["state"] == "broken_off").to_numpy(np.bool_),
            entered_at=trades["entered_at"].to_numpy("datetime64[ns]").view(np.int64),
            month=trades["month"].to_numpy(np.int64),
            held=trades["bars_held"].to_numpy(np.float64),
            result=trades["net_r"].to_numpy(np.float64),
            cost=trades["cost_r"].to_numpy(np.float64),
            best=trades["best_r"].to_numpy(np.float64),
            worst=trades["worst_r"].to_numpy(np.float64),
            gapped=trades["gapped_stop"].to_numpy(np.bool_),
            both=trades["both_in_one_bar"].to_numpy(np.bool_),
        )

    def __len__(self) -> int:
        """Count the setups."""
        return len(self.aside)

    @property
    def closed(self) -> Flags:
        """Those that count in figures of R: not set aside, with a result."""
        return ~self.aside & ~np.isnan(self.result)

    def only(self, which: Any) -> Setups:  # noqa: ANN401 - any index of an array
        """Give some of the setups, in the same order or another."""
        return Setups(*[getattr(self, name)[which] for name in self.__slots__])

    def as_if_not_aside(self) -> Setups:
        """Give those set aside, to be counted as if they had not been."""
        chosen = self.only(self.aside)
        return replace(chosen, aside=np.zeros_like(chosen.aside))


def in_order(trades: pd.DataFrame) -> pd.DataFrame:
    """Sort trades by entry, then by id, so that the order of rows changes nothing."""
    return trades.sort_values(["entered_at", "id"], ignore_index=True)


def figures_of(setups: Setups, name: str, samples: int, seed: int) -> Figures:
    """Give the figures of setups; their intervals use a number of samples."""
    return _with_intervals([_Group.of(setups, name, SHUFFLES, seed)], samples, seed)[0]


def breakdowns_of(
    trades: pd.DataFrame, setups: Setups, everything: Figures, samples: int, seed: int
) -> tuple[Breakdown, ...]:
    """Give the figures by each column of BY and by each surrounding.

    ``trades`` are the rows of the setups, ``everything`` are the figures of all. A group is named by its value.
    """
    groups: list[_Group] = []
    ends: list[tuple[str, int]] = []
    alone: dict[str, Figures] = {}
    for by in (*BY, *(name for name in trades.columns if name.startswith(AROUND))):
        code, names = pd.factorize(trades["month"] // MONTHS if by == "year" else trades[by], sort=True)
        if len(names) == 1:
            alone[by] = replace(everything, name=str(names[0]))
        else:
            order = np.argsort(code, kind="stable")
            edges = np.searchsorted(code[order], np.arange(len(names) + 1))
            for name, first, last in zip(names, edges[:-1], edges[1:], strict=True):
                groups.append(_Group.of(setups.only(order[first:last]), str(name), FEW_SHUFFLES, seed))
        ends.append((by, len(groups)))
    figures, begin, made = _with_intervals(groups, samples, seed), 0, []
    for by, end in ends:
        made.append(Breakdown(by, (alone[by],) if by in alone else tuple(figures[begin:end])))
        begin = end
    return tuple(made)


@dataclass(frozen=True, slots=True)
class _Group:
    """Figures before their intervals, and the inputs of the intervals if there are enough results.

    ``ordered`` are the results, sorted. ``count`` are numbers of results by month, and each row of ``totals`` has sums
    by month: of results, of the terms for their mean without the best, of those at most the median, of winners, of
    those left through a gap, of those with entry and stop in one bar.
    """

    figures: Figures
    ordered: Floats
    count: Floats
    totals: Floats

    @classmethod
    def of(cls, setups: Setups, name: str, shuffles: int, seed: int) -> _Group:
        """Make a group of setups."""
        kept = ~setups.aside
        places = np.flatnonzero(setups.closed)
        month, result = setups.month[places], setups.result[places]
        size, months = len(places), len(np.unique(month))
        enough = not too_few(size, months)
        run, fall = beside_shuffles(result, shuffles, seed) if enough else (None, None)
        closed = setups.only(places[np.lexsort((month, result))])
        ordered = closed.result
        won = ordered > 0
        best = ceil(size / 100)
        total, without_best = fsum(ordered), fsum(ordered[: size - best])
        lost = -fsum(ordered[~won])
        # Rounding leaves a small spread of equal results.
        off = ordered - total / size if size and ordered[0] != ordered[-1] else np.zeros(size)
        square = fsum(off**2)
        figures = Figures(
            name=name,
            found=len(setups),
            set_aside=int(setups.aside.sum()),
            entered=int((kept & setups.entered).sum()),
            never_entered=int((kept & ~setups.entered & ~setups.waiting).sum()),
            waiting=int((kept & setups.waiting).sum()),
            closed=size,
            still_open=int((kept & setups.entered & ~setups.closed & ~setups.broken_off).sum()),
            broken_off=int((kept & setups.entered & setups.broken_off).sum()),
            months=months,
            too_few=not enough,
            winners=int(won.sum()),
            share=_share(won),
            mean=Interval(total / size if size else None),
            median=Interval(_at(ordered, 0.5)),
            without_best=Interval(without_best / (size - best) if size > best else None),
            best=best,
            total=total,
            total_without_best=without_best,
            spread=sqrt(square / (size - 1)) if size > 1 else None,
            skew=fsum(off**3) / size / (square / size) ** 1.5 if square else None,
            design_effect=None,
            smallest=None,
            profit_factor=fsum(ordered[won]) / lost if lost else None,
            losing_run=run,
            drawdown=fall,
            bars_held=_quartiles(closed.held),
            best_r=_at(np.sort(closed.best), 0.5),
            worst_r=_at(np.sort(closed.worst), 0.5),
            gapped=_share(closed.gapped),
            both=_share(closed.both),
            cost=fsum(np.sort(closed.cost)) / size if size else None,
        )
        if not enough:
            return cls(figures, ordered, NONE, NONE)
        # A mean without the best results depends on each of them as if cut off at the highest one left (Tukey &
        # McLaughlin, Sankhya A 25 (1963), pages 331 to 352; from memory); the mean of what follows is the same.
        gone, highest = best / size, ordered[size - best - 1]
        cut_off = (np.minimum(ordered, highest) - gone * highest) / (1 - gone)
        at_most = ordered <= np.median(ordered)
        flags = (each.astype(np.float64) for each in (at_most, won, closed.gapped, closed.both))
        count, *totals = by_month(closed.month, ordered, cut_off, *flags)
        return cls(figures, ordered, count, np.array(totals))

    def with_intervals(self, drawn: Floats) -> Figures:
        """Give the figures with intervals; ``drawn`` are weights of its months."""
        told, size = self.figures, self.figures.closed
        mean = means(self.count[None], self.totals[:3], drawn)
        of_mean, of_rest, at_most = mean.intervals()
        spread = np.array([told.spread or 0.0])
        effect = float(design_effects(np.array([size]), spread, mean.error[:1])[0])
        shares = []
        for total in self.totals[3:]:
            share = ratios(self.count[None], total[None])
            successes = round(total.sum())
            own = sqrt(successes * (size - successes) / size / (size - 1))
            widened = design_effects(np.array([size]), np.array([own]), share.error)
            shares.append(share_between(successes, size, float(np.nan_to_num(widened[0], nan=1)), share.freedom[0]))
        return replace(
            told,
            mean=replace(told.mean, low=of_mean.low, high=of_mean.high),
            without_best=replace(told.without_best, low=of_rest.low, high=of_rest.high),
            median=median_between(self.ordered, at_most),
            design_effect=None if np.isnan(effect) else effect,
            smallest=smallest_told(self.count[None], self.totals[:1], drawn) if told.spread else None,
            share=shares[0],
            gapped=shares[1],
            both=shares[2],
        )


def _with_intervals(groups: Sequence[_Group], samples: int, seed: int) -> list[Figures]:
    """Give the figures of groups with intervals; groups with the same number of months share the samples."""
    made = [group.figures for group in groups]
    months = {len(group.count) for group in groups} - {0}
    for number in sorted(months):
        drawn = weights(number, samples, seed)
        for place, group in enumerate(groups):
            if len(group.count) == number:
                made[place] = group.with_intervals(drawn)
    return made


def _share(flags: Flags) -> Interval:
    return Interval(float(flags.mean()) if len(flags) else None)


def _at(ordered: Floats, share: float) -> float | None:
    """Give the quantile of sorted values, interpolated between two of them."""
    if not len(ordered):
        return None
    place, between = divmod(share * (len(ordered) - 1), 1)
    low, high = ordered[int(place)], ordered[ceil(place + between)]
    return float(low + between * (high - low))


def _quartiles(values: Floats) -> tuple[float, float, float] | None:
    ordered = np.sort(values)
    first, middle, last = (_at(ordered, share) for share in (0.25, 0.5, 0.75))
    return None if first is None or middle is None or last is None else (first, middle, last)
