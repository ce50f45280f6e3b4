"""Makes the tables of a study from the parts of instruments, in any order."""

from __future__ import annotations

from dataclasses import dataclass, field
from operator import attrgetter, itemgetter
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from scanner.studies.checked import by_file
from scanner.studies.parts import VARIANTS, no_trades
from scanner.studies.schema import MEMBERS, Study, StudyFile, Variant
from scanner.studies.stories.variants import AS_IS

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd
    from numpy.typing import NDArray

    from scanner.studies.checked import CheckedRows, Unjudged
    from scanner.studies.parts import Part

    Integers = NDArray[np.int64]

NO_ROWS = np.zeros(0, dtype=np.int64)


@dataclass(slots=True)
class Gathered:
    """The parts of a study so far, in any order."""

    variants: list[tuple[Variant, ...]] = field(default_factory=list)
    """The different variants examined."""
    firsts: list[str] = field(default_factory=list)
    """The first instrument by name, for each of them."""
    replanned: set[str] = field(default_factory=set)
    rows: list[tuple[str, int]] = field(default_factory=list)
    """The instruments, each with the number of its trades."""
    bars: int = 0
    series: list[tuple[str, str]] = field(default_factory=list)
    first: int | None = None
    last: int = 0
    files: set[StudyFile] = field(default_factory=set)
    checked: list[CheckedRows] = field(default_factory=list)
    unjudged: list[Unjudged] = field(default_factory=list)
    _trades: list[pa.Table] = field(default_factory=lambda: [no_trades()])
    _which: list[int] = field(default_factory=lambda: [0])
    """Which of ``variants`` each table of trades has."""
    _numbers: dict[str, int] = field(default_factory=dict)
    """A number for each name of a variant; the rules as they are come first in every part."""

    def add(self, part: Part) -> None:
        """Add a part."""
        for each in part.instruments:
            self.rows.append((each.instrument, each.rows))
            self.bars += each.bars
            self.files.update(each.files)
            self.checked += each.checked
            self.unjudged += each.unjudged
            if each.bars:
                self.series += [(each.instrument, timeframe) for timeframe in each.timeframes]
                self.first = each.first if self.first is None else min(self.first, each.first)
                self.last = max(self.last, each.last)
        first = min(each.instrument for each in part.instruments)
        if part.variants not in self.variants:
            self.variants.append(part.variants)
            self.firsts.append(first)
            for variant in part.variants:
                self._numbers.setdefault(variant.name, len(self._numbers))
        which = self.variants.index(part.variants)
        self.firsts[which] = min(self.firsts[which], first)
        replanned = {number for each in part.instruments for number in each.replanned}
        self.replanned.update(part.variants[number].name for number in replanned)
        self._which.append(which)
        self._trades.append(part.trades)

    def study(self, settings_mark: str, seed: int) -> Study:
        """Give the study of all parts."""
        everything = pa.concat_tables(self._trades).combine_chunks()
        of_variant = self._members(everything[VARIANTS].combine_chunks())
        as_is = of_variant[self.variants[0][AS_IS].name]
        telling = [
            each
            for each in self._looked_at()
            if each.name not in self.replanned
            # A changed setting that changes no trade equals the rules as they are, so it is not a second look.
            and not (each.kind == "moved" and np.array_equal(of_variant[each.name], as_is))
        ]
        kept = everything["found"].to_numpy(zero_copy_only=False)
        for each in telling:
            kept[of_variant[each.name]] = True
        order = self._by_name()
        order = order[kept[order]]
        place = np.empty(len(kept), dtype=np.int64)
        place[order] = np.arange(len(order))
        trades = everything.drop_columns(VARIANTS).take(pa.array(order))
        setup = pc.and_(pc.equal(trades["source"].cast(pa.string()), "setup"), trades["found"])
        costs_known = pc.mean(trades["cost_known"].filter(setup)).as_py()
        return Study(
            trades=trades.to_pandas(),
            members=_members_table(
                trades["id"], {each.name: np.sort(place[of_variant[each.name]]) for each in telling}
            ),
            variants=tuple(telling),
            bars=self.bars,
            series=len(self.series),
            instruments=tuple(sorted({instrument for instrument, _ in self.series})),
            timeframes=tuple(sorted({timeframe for _, timeframe in self.series})),
            first=self.first or 0,
            last=self.last,
            settings_mark=settings_mark,
            costs_known=costs_known or 0.0,
            files=tuple(sorted(self.files, key=lambda each: (each.name, each.mark))),
            checked=by_file(self.checked),
            unjudged=tuple(sorted(self.unjudged, key=attrgetter("series"))),
            seed=seed,
        )

    def _by_name(self) -> Integers:
        """Give the rows of all trades, by instrument."""
        counts = np.array([count for _, count in self.rows], dtype=np.int64)
        begins = np.cumsum(counts) - counts
        by_name = np.array(sorted(range(len(counts)), key=self.rows.__getitem__), dtype=np.int64)
        counts, begins = counts[by_name], begins[by_name]
        ends = np.cumsum(counts)
        return np.repeat(begins - (ends - counts), counts) + np.arange(counts.sum())

    def _members(self, own: pa.ListArray) -> dict[str, Integers]:
        """Give the rows of the trades that each variant has, in order; ``own`` are the variants of each row."""
        rows = pc.list_parent_indices(own).to_numpy()
        names = [each.name for variants in self.variants for each in variants]
        begins = np.cumsum([0, *map(len, self.variants)])[self._which]
        begin = np.repeat(begins, [len(trades) for trades in self._trades])
        numbers = np.array([self._numbers[name] for name in names], dtype=np.int64)
        keys = numbers[begin[rows] + pc.list_flatten(own).to_numpy()] * len(own) + rows
        keys.sort()
        edges = np.arange(1, len(self._numbers)) * len(own)
        parts = np.split(keys, np.searchsorted(keys, edges))
        return {
            name: part - number * len(own) for (name, number), part in zip(self._numbers.items(), parts, strict=True)
        }

    def _looked_at(self) -> list[Variant]:
        known: dict[str, Variant] = {}
        for _, variants in sorted(zip(self.firsts, self.variants, strict=True), key=itemgetter(0)):
            for variant in variants:
                if known.setdefault(variant.name, variant).value != variant.value:
                    # Groups of instruments may start from different settings.
                    known[variant.name] = Variant(variant.name, variant.kind, variant.what, None)
        return list(known.values())


def _members_table(ids: pa.ChunkedArray, rows: Mapping[str, Integers]) -> pd.DataFrame:
    """Give the table of members, by the name of the variant; ``rows`` are those that each has among the ids."""
    names = sorted(rows)
    which = np.repeat(np.arange(len(names)), [len(rows[name]) for name in names])
    columns = (
        pa.array(names, pa.string()).take(pa.array(which)),
        ids.take(pa.array(np.concatenate([NO_ROWS, *(rows[name] for name in names)]))),
    )
    table: pd.DataFrame = pa.table(dict(zip(MEMBERS, columns, strict=True))).to_pandas()
    return table
