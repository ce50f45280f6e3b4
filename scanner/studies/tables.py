"""Makes the tables of a study from the parts of instruments, in any order."""

from __future__ import annotations

from dataclasses import dataclass, field
from operator import itemgetter
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from scanner.studies.parts import LAYOUT, VARIANTS
from scanner.studies.schema import AROUND, MEMBERS, Study, StudyFile, Variant
from scanner.studies.stories.variants import AS_IS
from scanner.studies.trades import checked, empty
from scanner.trade.surroundings import NAMES

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from scanner.studies.parts import Part

    Integers = NDArray[np.int64]

FEW_VALUES = ["source", *(AROUND + name for name in NAMES)]
"""Columns of texts with few different values."""


@dataclass(slots=True)
class Gathered:
    """The parts of a study so far, in any order."""

    parts: int = 0
    variants: list[tuple[Variant, ...]] = field(default_factory=list)
    """The different variants examined."""
    instruments: list[str] = field(default_factory=list)
    """The first instrument by name, for each of them."""
    replanned: set[str] = field(default_factory=set)
    bars: int = 0
    series: list[tuple[str, str]] = field(default_factory=list)
    first: int | None = None
    last: int = 0
    files: set[StudyFile] = field(default_factory=set)
    _trades: list[pa.Table] = field(default_factory=lambda: [LAYOUT.empty_table()])
    _which: list[int] = field(default_factory=lambda: [0])
    """Which of ``variants`` each table of trades has."""
    _numbers: dict[str, int] = field(default_factory=dict)
    """A number for each name of a variant; the rules as they are come first in every part."""

    def add(self, part: Part) -> None:
        """Add a part."""
        self.parts += 1
        self.bars += part.bars
        self.files.update(part.files)
        self.series += [(part.instrument, timeframe) for timeframe in part.timeframes if part.bars]
        if part.bars:
            self.first = part.first if self.first is None else min(self.first, part.first)
            self.last = max(self.last, part.last)
        if part.variants not in self.variants:
            self.variants.append(part.variants)
            self.instruments.append(part.instrument)
            for each in part.variants:
                self._numbers.setdefault(each.name, len(self._numbers))
        which = self.variants.index(part.variants)
        self.instruments[which] = min(self.instruments[which], part.instrument)
        self.replanned.update(part.variants[number].name for number in part.replanned)
        self._which.append(which)
        self._trades.append(part.trades)

    def study(self, settings_mark: str, seed: int) -> Study:
        """Give the study of all parts."""
        everything = pa.concat_tables(self._trades).combine_chunks()
        numbers, rows = self._members(everything[VARIANTS].combine_chunks())
        everything = everything.drop_columns(VARIANTS)
        by_number = np.argsort(numbers.astype(np.uint16), kind="stable")
        edges = np.searchsorted(numbers[by_number], np.arange(len(self._numbers) + 1))
        of_variant = dict(zip(self._numbers, np.split(rows[by_number], edges[1:-1]), strict=True))
        as_is = of_variant[self.variants[0][AS_IS].name]
        telling = [
            each
            for each in self._looked_at()
            if each.name not in self.replanned
            # A changed setting that changes no trade equals the rules as they are, so it is not a second look.
            and not (each.kind == "moved" and np.array_equal(of_variant[each.name], as_is))
        ]
        told = {self._numbers[each.name] for each in telling}
        of_told = np.isin(numbers, [*told])
        numbers, rows = numbers[of_told], rows[of_told]
        kept = everything["found"].to_numpy(zero_copy_only=False)
        kept[rows] = True
        trades = checked(everything.filter(pa.array(kept)).to_pandas(categories=FEW_VALUES)) if kept.any() else empty()
        setups = trades[(trades["source"] == "setup") & trades["found"]]
        return Study(
            trades=trades,
            members=self._table(everything["id"], numbers, rows),
            variants=tuple(telling),
            bars=self.bars,
            series=len(self.series),
            instruments=tuple(sorted({instrument for instrument, _ in self.series})),
            timeframes=tuple(sorted({timeframe for _, timeframe in self.series})),
            first=self.first or 0,
            last=self.last,
            settings_mark=settings_mark,
            costs_known=float(setups["cost_known"].mean()) if len(setups) else 0.0,
            files=tuple(sorted(self.files, key=lambda each: (each.name, each.mark))),
            seed=seed,
        )

    def _members(self, own: pa.ListArray) -> tuple[Integers, Integers]:
        """Give the numbers of variants, and the rows of the trades that they have; ``own`` are those of each row."""
        rows = pc.list_parent_indices(own).to_numpy()
        names = [each.name for variants in self.variants for each in variants]
        begins = np.cumsum([0, *map(len, self.variants)])[self._which]
        begin = np.repeat(begins, [len(trades) for trades in self._trades])
        numbers = np.array([self._numbers[name] for name in names], dtype=np.int64)
        return numbers[begin[rows] + pc.list_flatten(own).to_numpy()], rows

    def _looked_at(self) -> list[Variant]:
        known: dict[str, Variant] = {}
        for _, variants in sorted(zip(self.instruments, self.variants, strict=True), key=itemgetter(0)):
            for variant in variants:
                if known.setdefault(variant.name, variant).value != variant.value:
                    # Groups of instruments may start from different settings.
                    known[variant.name] = Variant(variant.name, variant.kind, variant.what, None)
        return list(known.values())

    def _table(self, ids: pa.ChunkedArray, numbers: Integers, rows: Integers) -> pd.DataFrame:
        """Make the table of members, by variant and id, from members in order of rows.

        It sorts each name and id once, not with each member.
        """
        names, counts = pa.array(list(self._numbers), pa.string()), np.bincount(rows, minlength=len(ids))
        offsets, by_id = np.append(0, np.cumsum(counts)), pc.sort_indices(ids)
        own = pa.LargeListArray.from_arrays(pa.array(offsets), pa.array(numbers)).take(by_id).flatten().to_numpy()
        own_rows = np.repeat(by_id.to_numpy(), counts[by_id.to_numpy()])
        order = np.argsort(_ranks(names)[own].astype(np.uint16), kind="stable")
        columns = names.take(pa.array(own[order])), ids.combine_chunks().take(pa.array(own_rows[order]))
        return pd.DataFrame(dict(zip(MEMBERS, (pd.array(each, dtype="str") for each in columns), strict=True)))


def _ranks(texts: pa.Array | pa.ChunkedArray) -> Integers:
    """Give the place of each text in their order."""
    order = pc.sort_indices(texts).to_numpy()
    ranks = np.empty(len(order), dtype=np.int64)
    ranks[order] = np.arange(len(order))
    return ranks


def tables(parts: Iterable[Part], settings_mark: str, seed: int) -> Study:
    """Give the study made of parts; their order changes nothing."""
    gathered = Gathered()
    for part in parts:
        gathered.add(part)
    return gathered.study(settings_mark, seed)
