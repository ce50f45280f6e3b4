"""The bars and states of series as they go into the log of bars and come out of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from scanner.market.bars import Bars

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from scanner.store.packing import Table


class SeriesKey(NamedTuple):
    """Names a series: an instrument on a timeframe."""

    instrument: str
    timeframe: str


@dataclass(frozen=True, slots=True)
class SeriesUpdate:
    """New bars of a series, later than all before, and what its engine remembers after them. Either may be empty.

    ``checkpoint`` replaces the earlier one, unless it is empty.
    """

    key: SeriesKey
    bars: Bars
    state: bytes
    checkpoint: bytes = b""


@dataclass(frozen=True, slots=True)
class SeriesUpdates:
    """The updates of many series in columns: ``counts`` bars of each one after the other.

    ``checkpoints`` are by position among the series, only for those that have one.
    """

    keys: Sequence[SeriesKey]
    counts: Table
    bars: Bars
    states: Sequence[bytes]
    checkpoints: Mapping[int, bytes]

    @classmethod
    def of(cls, updates: Sequence[SeriesUpdate]) -> SeriesUpdates:
        """Put single updates together."""
        return cls(
            [each.key for each in updates],
            np.array([len(each.bars) for each in updates], dtype=np.int64),
            Bars.joined([each.bars for each in updates]),
            [each.state for each in updates],
            {place: each.checkpoint for place, each in enumerate(updates) if each.checkpoint},
        )

    @classmethod
    def joined(cls, parts: Sequence[SeriesUpdates]) -> SeriesUpdates:
        """Put several tables together."""
        if len(parts) == 1:
            return parts[0]
        before = np.cumsum([0, *(len(part.keys) for part in parts)]).tolist()
        return cls(
            [key for part in parts for key in part.keys],
            np.concatenate([part.counts for part in parts]),
            Bars.joined([part.bars for part in parts]),
            [state for part in parts for state in part.states],
            {
                start + place: kept
                for start, part in zip(before, parts, strict=False)
                for place, kept in part.checkpoints.items()
            },
        )


@dataclass(frozen=True, slots=True)
class Rewrite:
    """A series from a bar on, as the feed has it now: replaces every stored bar that closes at ``since`` or later."""

    key: SeriesKey
    since: int
    bars: Bars
    state: bytes
    checkpoint: bytes = b""


@dataclass(frozen=True, slots=True)
class StoredSeries:
    """The last bars of a series, oldest first. The arrays may be read-only."""

    key: SeriesKey
    bars: Bars


@dataclass(frozen=True, slots=True)
class StoredTogether:
    """The same of many series in columns: the bars of keys[k] are begins[k]…ends[k]−1 of ``bars``."""

    keys: list[SeriesKey]
    bars: Bars
    begins: Table
    ends: Table

    def last_open(self, place: int) -> int | None:
        """Give when the last bar of the series at a place opened; None if it has no bar, or the place is below 0."""
        if place < 0 or self.ends[place] == self.begins[place]:
            return None
        return int(self.bars.open_time[self.ends[place] - 1])

    @classmethod
    def joined(cls, parts: Sequence[StoredTogether]) -> StoredTogether:
        """Put several tables together."""
        before = np.cumsum([0, *(len(part.bars) for part in parts)])
        nothing = np.zeros(0, dtype=np.int64)
        return cls(
            [key for part in parts for key in part.keys],
            Bars.joined([part.bars for part in parts]),
            np.concatenate([nothing, *(start + part.begins for start, part in zip(before, parts, strict=False))]),
            np.concatenate([nothing, *(start + part.ends for start, part in zip(before, parts, strict=False))]),
        )
