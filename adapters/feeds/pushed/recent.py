"""The bars a feed received lately, kept in memory until requested."""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING

import numpy as np

from adapters.feeds.raw_rows import copied, no_rows
from scanner.market.bars import NO_TIME, RawBars

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from scanner.market.bars import StampKind
    from scanner.ports import Want

MOST_SERIES = 50_000
"""Most series kept, so that a stream of invented names cannot fill the memory."""
MOST_BARS = 4_000_000
"""Most bars with room in memory, of all series together: 224 MB."""
MOST_UNREADABLE = 10_000
"""Most unreadable rows kept, of all series together."""
FIRST_ROOM = 16


class RecentBars:
    """The last bars of each series, at most ``keep``, in order of time whatever the order of arrival.

    Once all series together have room for ``most`` bars, each drops its oldest instead of growing.

    A bar that arrives again replaces the earlier one. An answer holds the requested bars, and also older ones that
    arrived or changed since the last answer: late and restated bars must not go unnoticed. Unreadable rows are given
    once, so that the guard sees them. Row numbers count the rows of all series as they came; ``rows`` is the next one.
    """

    def __init__(self, keep: int, source: str, stamp_kind: StampKind, most: int = MOST_BARS) -> None:
        self.rows = 0
        self._keep = keep
        self._most = most
        self._room = 0
        self._series: dict[tuple[str, str], _Series] = {}
        self._unreadable: dict[tuple[str, str], deque[RawBars]] = {}
        """By series, the one that has waited longest first."""
        self._unreadable_count = 0
        self._none = no_rows(source, stamp_kind)

    def add(self, symbol: str, timeframe: str, raw: RawBars) -> bool:
        """Take rows, numbered from ``rows`` on; False if there are too many series already."""
        key = symbol, timeframe
        series = self._series.get(key)
        if series is None:
            if len(self._series) >= MOST_SERIES:
                return False
            series = self._series[key] = _Series(min(FIRST_ROOM, self._keep))
            self._room += series.room
        self.rows += len(raw)
        numbers = np.stack([raw.open, raw.high, raw.low, raw.close, raw.volume])
        readable = (raw.stamp != NO_TIME) & ~np.isnan(numbers[:4]).any(axis=0)
        for index in np.flatnonzero(readable).tolist():
            if series.is_full and series.room < self._keep and self._room < self._most:
                self._room += series.grow(self._keep)
            series.put(int(raw.stamp[index]), int(raw.row[index]), numbers[:, index])
        # Unreadable ones must not displace a good bar.
        for index in np.flatnonzero(~readable)[-self._keep :].tolist():
            self._put_aside(key, copied(raw, np.array([index])))
            series.newest = max(series.newest, int(raw.row[index]))
        return True

    def _put_aside(self, key: tuple[str, str], row: RawBars) -> None:
        """Keep an unreadable row; the oldest are dropped if there are too many."""
        waiting = self._unreadable.setdefault(key, deque())
        waiting.append(row)
        self._unreadable_count += 1
        if len(waiting) > self._keep:
            full = key
        elif self._unreadable_count > MOST_UNREADABLE:
            full = next(iter(self._unreadable))
        else:
            return
        self._unreadable[full].popleft()
        self._unreadable_count -= 1
        if not self._unreadable[full]:
            del self._unreadable[full]

    def has_news(self, wants: Sequence[Want]) -> bool:
        """Say whether anything has come for one of these wants since its last answer."""
        found = (self._series.get((want.symbol, want.timeframe)) for want in wants)
        return any(series is not None and series.newest > series.given for series in found)

    def answer(self, want: Want) -> RawBars:
        """Give the requested bars."""
        key = want.symbol, want.timeframe
        series = self._series.get(key)
        if series is None:
            return self._none
        found = series.take(want.since, self._none)
        unreadable = self._unreadable.pop(key, ())
        self._unreadable_count -= len(unreadable)
        return RawBars.joined([found, *unreadable]) if unreadable else found


class _Series:
    """The bars of one series in arrays that drop the oldest when full."""

    def __init__(self, room: int) -> None:
        self.newest = self.given = -1  # row numbers: the last with news, and the last when answered
        self._count = 0
        self._stamps = np.empty(room, dtype=np.int64)
        self._rows = np.empty(room, dtype=np.int64)
        self._numbers = np.empty((5, room))

    @property
    def room(self) -> int:
        """How many bars there is room for."""
        return len(self._stamps)

    @property
    def is_full(self) -> bool:
        """Whether another bar would displace the oldest."""
        return self._count == self.room

    def grow(self, most: int) -> int:
        """Make room for twice as many bars, up to a limit, and say for how many more."""
        more = min(self.room, most - self.room)
        self._stamps, self._rows, self._numbers = (
            np.concatenate([column, np.empty((*column.shape[:-1], more), column.dtype)], axis=-1)
            for column in (self._stamps, self._rows, self._numbers)
        )
        return more

    def put(self, stamp: int, row: int, numbers: NDArray[np.float64]) -> None:
        """Put a bar in its place; prices and volume are copied."""
        at = count = self._count
        if count and stamp <= self._stamps[count - 1]:
            at = int(np.searchsorted(self._stamps[:count], stamp))
            if self._stamps[at] == stamp:
                if not np.array_equal(self._numbers[:, at], numbers, equal_nan=True):
                    self._write(at, stamp, row, numbers)
                return
        if not self.is_full:
            self._move(slice(at, count), slice(at + 1, count + 1))
            self._count += 1
        elif at:
            self._move(slice(1, at), slice(0, at - 1))
            at -= 1
        else:
            return  # older than anything kept
        self._write(at, stamp, row, numbers)

    def _write(self, at: int, stamp: int, row: int, numbers: NDArray[np.float64]) -> None:
        self._stamps[at], self._rows[at], self._numbers[:, at] = stamp, row, numbers
        self.newest = row

    def _move(self, source: slice, target: slice) -> None:
        for column in (self._stamps, self._rows, self._numbers):
            column[..., target] = column[..., source]

    def take(self, since: int | None, none: RawBars) -> RawBars:
        """Give the bars since a time and the news; ``none`` has the source and the kind of stamp."""
        stamps, rows = self._stamps[: self._count], self._rows[: self._count]
        wanted = np.flatnonzero((stamps >= (NO_TIME if since is None else since)) | (rows > self.given))
        self.given = self.newest
        first, high, low, last, volume = self._numbers[:, wanted]
        return RawBars(stamps[wanted], first, high, low, last, volume, rows[wanted], none.source, none.stamp_kind)
