"""The bars that a feed has been pushed lately, kept in memory until they are asked for."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from adapters.feeds.raw_rows import joined, no_rows
from scanner.market.bars import NO_TIME, RawBars

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from scanner.market.bars import StampKind
    from scanner.ports import Want

MOST_SERIES = 50_000
"""Series kept at most, so that a stream of invented names cannot fill the memory."""
FIRST_ROOM = 16


class RecentBars:
    """The last bars of each series, at most ``keep``, in order of time whatever the order of arrival.

    A bar that comes again takes the place of the earlier one. An answer holds the bars that were asked for, and also
    those that are older but came or changed since the last answer: late and restated bars must not go unseen. Rows
    that cannot be read are given once, so that the guard sees them. Row numbers count the rows of all series as they
    came; ``rows`` is the next one.
    """

    def __init__(self, keep: int, source: str, stamp_kind: StampKind) -> None:
        self.rows = 0
        self._keep = keep
        self._series: dict[tuple[str, str], _Series] = {}
        self._none = no_rows(source, stamp_kind)

    def add(self, symbol: str, timeframe: str, raw: RawBars) -> bool:
        """Take rows in, numbered from ``rows`` on; False where there are too many series already."""
        series = self._series.get((symbol, timeframe))
        if series is None:
            if len(self._series) >= MOST_SERIES:
                return False
            series = self._series[symbol, timeframe] = _Series(self._keep)
        self.rows += len(raw)
        series.add(raw)
        return True

    def has_news(self, wants: Sequence[Want]) -> bool:
        """Say whether anything has come for one of these wants since it was last answered."""
        found = (self._series.get((want.symbol, want.timeframe)) for want in wants)
        return any(series is not None and series.newest > series.given for series in found)

    def answer(self, want: Want) -> RawBars:
        """Give what was asked for."""
        series = self._series.get((want.symbol, want.timeframe))
        return self._none if series is None else series.take(want.since, self._none)


class _Series:
    """The bars of one series in arrays that grow up to ``keep`` and then let go of the oldest."""

    def __init__(self, keep: int) -> None:
        self.newest = self.given = -1  # row numbers: the last that brought something, and the last when answered
        self._keep = keep
        self._count = 0
        room = min(FIRST_ROOM, keep)
        self._stamps = np.empty(room, dtype=np.int64)
        self._rows = np.empty(room, dtype=np.int64)
        self._numbers = np.empty((5, room))
        self._unreadable: list[RawBars] = []

    def add(self, raw: RawBars) -> None:
        """Take rows in."""
        numbers = np.stack([raw.open, raw.high, raw.low, raw.close, raw.volume])
        readable = (raw.stamp != NO_TIME) & ~np.isnan(numbers[:4]).any(axis=0)
        for index, one in enumerate(raw.blocks(1)):
            row = int(raw.row[index])
            if not readable[index]:
                # It must not take the place of a good bar.
                self._unreadable = [*self._unreadable[-self._keep + 1 :], one]
                self.newest = row
            elif self._put(int(raw.stamp[index]), row, numbers[:, index]):
                self.newest = row

    def _put(self, stamp: int, row: int, numbers: NDArray[np.float64]) -> bool:
        """Put a bar in its place; False where that changes nothing."""
        at = count = self._count
        if count and stamp <= self._stamps[count - 1]:
            at = int(np.searchsorted(self._stamps[:count], stamp))
            if self._stamps[at] == stamp:
                if np.array_equal(self._numbers[:, at], numbers, equal_nan=True):
                    return False
                self._rows[at], self._numbers[:, at] = row, numbers
                return True
        if count < self._keep:
            if count == len(self._stamps):
                self._grow()
            self._move(slice(at, count), slice(at + 1, count + 1))
            self._count += 1
        elif at:
            self._move(slice(1, at), slice(0, at - 1))
            at -= 1
        else:
            return False  # older than anything kept
        self._stamps[at], self._rows[at], self._numbers[:, at] = stamp, row, numbers
        return True

    def _move(self, source: slice, target: slice) -> None:
        for column in (self._stamps, self._rows, self._numbers):
            column[..., target] = column[..., source]

    def _grow(self) -> None:
        more = min(self._count, self._keep - self._count)
        self._stamps, self._rows, self._numbers = (
            np.concatenate([column, np.empty((*column.shape[:-1], more), column.dtype)], axis=-1)
            for column in (self._stamps, self._rows, self._numbers)
        )

    def take(self, since: int | None, none: RawBars) -> RawBars:
        """Give the bars since a time and the news; ``none`` tells source and kind of stamp."""
        stamps, rows = self._stamps[: self._count], self._rows[: self._count]
        wanted = np.flatnonzero((stamps >= (NO_TIME if since is None else since)) | (rows > self.given))
        self.given = self.newest
        first, high, low, last, volume = self._numbers[:, wanted]
        found = RawBars(stamps[wanted], first, high, low, last, volume, rows[wanted], none.source, none.stamp_kind)
        unreadable, self._unreadable = self._unreadable, []
        return joined([found, *unreadable]) if unreadable else found
