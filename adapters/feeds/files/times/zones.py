"""Local times of a zone as moments."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np

from scanner.clocks import DAY, SECOND
from scanner.market.bars import NO_TIME

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from numpy.typing import NDArray

EPOCH = datetime(1970, 1, 1)  # noqa: DTZ001 - a local time; the zone is added where it is used


class LocalClock:
    """Turns local times of one series, in the order of its rows, into nanoseconds since 1970 UTC.

    When the clocks go forward, the skipped times do not exist: they become NO_TIME. When they go back, an hour occurs
    twice: a time in it means the first of the two if that is later than the row before it, else the second.
    """

    def __init__(self, zone: ZoneInfo) -> None:
        self.zone = zone
        self._last = NO_TIME
        self._whole_days: dict[int, int | None] = {}

    def to_utc(self, local: NDArray[np.int64]) -> NDArray[np.int64]:
        """Convert the next rows."""
        if not len(local):
            return local
        readable = local != NO_TIME
        days = np.where(readable, local // DAY, 0)
        begins = np.append(0, np.flatnonzero(np.diff(days)) + 1)
        offsets = [self._offset_all_day(int(day)) for day in days[begins]]
        lengths = np.diff(np.append(begins, len(days)))
        settled = np.repeat([offset is not None for offset in offsets], lengths)
        utc: NDArray[np.int64] = np.where(
            readable, local - np.repeat([offset or 0 for offset in offsets], lengths), NO_TIME
        )
        for index in np.flatnonzero(~settled & readable):
            before = int(utc[index - 1]) if index else NO_TIME
            self._last = before if before != NO_TIME else self._last
            utc[index] = self._moment(int(local[index]), self._last)
        known = utc[utc != NO_TIME]
        self._last = int(known[-1]) if len(known) else self._last
        return utc

    def _offset(self, clock: datetime, fold: int) -> int:
        offset = clock.replace(tzinfo=self.zone, fold=fold).utcoffset() or timedelta()
        return offset // timedelta(seconds=1) * SECOND

    def _offset_all_day(self, day: int) -> int | None:
        """Give the offset of a day, None if it changes during the day."""
        if day not in self._whole_days:
            midnight = EPOCH + timedelta(days=day)
            begin, end = self._offset(midnight, 0), self._offset(midnight + timedelta(days=1), 1)
            self._whole_days[day] = begin if begin == end else None
        return self._whole_days[day]

    def _moment(self, local: int, after: int) -> int:
        clock = EPOCH + timedelta(seconds=local // SECOND)
        first, second = (local - self._offset(clock, fold) for fold in (0, 1))
        if first > second:
            return NO_TIME
        return first if first > after else second


def skipped(local: int, zone: ZoneInfo) -> str:
    """Describe a local time that does not exist."""
    clock = datetime.fromtimestamp(local // SECOND, UTC).replace(tzinfo=None)
    return f"time {clock.isoformat(sep=' ')}, which the clocks of {zone.key} skipped"
