"""From the collected parts of instruments to the tables of a study, whatever their order."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import chain
from typing import TYPE_CHECKING, Any

import numpy as np
import orjson
import pandas as pd

from scanner.studies.schema import AROUND, MEMBERS, TIME, TRADES, VERDICTS, Study, StudyFile, Variant, checked, empty
from scanner.trade.surroundings import NAMES

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from scanner.studies.collecting import Collected

COLUMNS = (*TRADES, *(AROUND + name for name in NAMES))
FLOATS = tuple(name for name, kind in TRADES.items() if kind == "float64")
TIMES = tuple(name for name, kind in TRADES.items() if kind == TIME)
AT_ONCE = 10_000
"""Rows turned into a table at a time."""


@dataclass(slots=True)
class Part:
    """The part of a study on one instrument, as plain values: ``columns`` are those of the trades."""

    instrument: str
    timeframes: list[str]
    bars: int
    first: int
    last: int
    costs_known: bool
    variants: list[Variant]
    columns: dict[str, list[Any]]
    members: list[list[int]]
    replanned: list[int]

    @classmethod
    def of(cls, collected: Collected) -> Part:
        """Put collected rows into columns."""
        rows = collected.rows
        return cls(
            collected.instrument,
            list(collected.timeframes),
            collected.bars,
            collected.first,
            collected.last,
            collected.costs_known,
            list(collected.variants),
            {name: [row[name] for row in rows] for name in COLUMNS} if rows else {},
            [list(each) for each in collected.members],
            sorted(collected.replanned),
        )

    def to_bytes(self) -> bytes:
        """Give it as JSON; numbers are restored exactly, NaN is null."""
        return orjson.dumps(self)  # a dataclass is written field by field

    @classmethod
    def from_bytes(cls, content: bytes) -> Part:
        """Read it back; ValueError for anything else."""
        try:
            told = orjson.loads(content)
            return cls(**told | {"variants": [Variant(**each) for each in told["variants"]]})
        except (KeyError, TypeError) as problem:
            raise ValueError(f"not a part of a study: {problem}") from problem


@dataclass(slots=True)
class Gathered:
    """The parts of a study so far, in any order, as tables, since Python objects take ten times the memory."""

    parts: int = 0
    trades: list[pd.DataFrame] = field(default_factory=list)
    members: dict[str, list[str]] = field(default_factory=dict)
    """The ids of the rows of each variant, by its name."""
    variants: dict[tuple[Variant, ...], str] = field(default_factory=dict)
    """The variants examined, each with its first instrument by name."""
    replanned: set[str] = field(default_factory=set)
    bars: int = 0
    series: list[tuple[str, str]] = field(default_factory=list)
    first: int | None = None
    last: int = 0
    _waiting: list[Part] = field(default_factory=list)
    _rows: int = 0

    def add(self, part: Part) -> None:
        """Add a part."""
        self.parts += 1
        self.bars += part.bars
        self.series += [(part.instrument, timeframe) for timeframe in part.timeframes if part.bars]
        if part.bars:
            self.first = part.first if self.first is None else min(self.first, part.first)
            self.last = max(self.last, part.last)
        variants = tuple(part.variants)
        self.variants[variants] = min(self.variants.get(variants, part.instrument), part.instrument)
        self.replanned.update(part.variants[number].name for number in part.replanned)
        if part.columns:
            self._waiting.append(part)
            self._rows += len(part.members)
            if self._rows >= AT_ONCE:
                self._settle()

    def _settle(self) -> None:
        waiting, self._waiting, self._rows = self._waiting, [], 0
        if not waiting:
            return
        self.trades.append(
            _typed({name: [each for part in waiting for each in part.columns[name]] for name in COLUMNS})
        )
        for part in waiting:
            own = [self.members.setdefault(variant.name, []) for variant in part.variants]
            for name, variants in zip(part.columns["id"], part.members, strict=True):
                for number in variants:
                    own[number].append(name)

    def study(self, files: Sequence[StudyFile], settings_mark: str, seed: int) -> Study:
        """Give the study of all parts; ``files`` are those they were read from."""
        self._settle()
        trades = checked(pd.concat(self.trades, ignore_index=True)) if self.trades else empty()
        members = {name: sorted(ids) for name, ids in sorted(self.members.items())}
        telling = _telling([each for each in self._looked_at() if each.name not in self.replanned], members)
        told = {each.name for each in telling}
        members = {name: ids for name, ids in members.items() if name in told}
        known = set(chain.from_iterable(members.values()))
        kept = [found or name in known for found, name in zip(trades["found"], trades["id"].tolist(), strict=True)]
        trades = trades[kept].reset_index(drop=True)
        setups = trades[(trades["source"] == "setup") & trades["found"]]
        return Study(
            trades=trades,
            members=_table(members),
            variants=tuple(telling),
            bars=self.bars,
            series=len(self.series),
            instruments=tuple(sorted({instrument for instrument, _ in self.series})),
            timeframes=tuple(sorted({timeframe for _, timeframe in self.series})),
            first=self.first or 0,
            last=self.last,
            settings_mark=settings_mark,
            costs_known=float(setups["cost_known"].mean()) if len(setups) else 0.0,
            files=tuple(sorted(files, key=lambda each: each.name)),
            seed=seed,
        )

    def _looked_at(self) -> list[Variant]:
        known: dict[str, Variant] = {}
        for variants in sorted(self.variants, key=lambda variants: self.variants[variants]):
            for variant in variants:
                if known.setdefault(variant.name, variant).value != variant.value:
                    # Groups of instruments may start from different settings.
                    known[variant.name] = Variant(variant.name, variant.kind, variant.what, None)
        return list(known.values())


def tables(parts: Iterable[Part], files: Sequence[StudyFile], settings_mark: str, seed: int) -> Study:
    """Give the study made of parts; their order changes nothing."""
    gathered = Gathered()
    for part in parts:
        gathered.add(part)
    return gathered.study(files, settings_mark, seed)


def _telling(variants: Sequence[Variant], members: Mapping[str, list[str]]) -> list[Variant]:
    """Leave out changed settings that change no trade: they equal the rules as they are, and are not a second look."""
    as_is = next((members.get(each.name) for each in variants if each.kind == "as_is"), None)
    return [each for each in variants if each.kind != "moved" or members.get(each.name) != as_is]


def _table(members: Mapping[str, list[str]]) -> pd.DataFrame:
    """Make the table of members, by variant and id."""
    names = chain.from_iterable([name] * len(ids) for name, ids in members.items())
    made = {"variant": list(names), "id": list(chain.from_iterable(members.values()))}
    return pd.DataFrame(made).astype(dict(MEMBERS))


def _typed(columns: dict[str, list[Any]]) -> pd.DataFrame:
    """Make a table of trades from columns of plain values."""
    made: dict[str, Any] = dict(columns)
    for name in FLOATS:
        made[name] = np.array(made[name], dtype=np.float64)  # None is NaN
    for name in TIMES:
        made[name] = pd.to_datetime(pd.array(made[name], dtype="Int64"), unit="ns", utc=True)
    for name in COLUMNS:
        if name.startswith(AROUND):
            made[name] = pd.Categorical(made[name], categories=VERDICTS)
    return pd.DataFrame(made)
