"""What is known of an answer: which rows are of closed bars, which repeat earlier ones, and the stored bars beside."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from scanner.market.bars import NO_TIME, Bars
from scanner.market.order import LEAP

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from scanner.market.bars import Bar, RawBars
    from scanner.market.sessions.timetables import Timetable
    from scanner.store import SeriesKey
    from scanner.store.bars import BarLog


def closed_rows(raw: RawBars, timetable: Timetable, now: int) -> RawBars:
    """Leave out the bars that are still open at ``now``; unreadable rows stay, for the guard to refuse."""
    readable = raw.stamp != NO_TIME
    stamps = np.where(readable, raw.stamp, now)
    _, closes, aligned = timetable.spans(stamps, raw.stamp_kind)
    return raw.where(~readable | ~aligned | (closes <= now))


def in_order(raw: RawBars) -> RawBars:
    """Sort rows by their times, since an answer may come in any order; those without a readable time come last.

    Among rows of the same time the last one sent comes first, since the guard takes the first that can be a bar: a
    correction may come together with the row that it corrects.
    """
    readable = raw.stamp != NO_TIME
    stamps = raw.stamp[readable]
    if (stamps[1:] > stamps[:-1]).all():
        return raw
    order = np.lexsort((-np.arange(len(stamps)), stamps))
    if (np.diff(stamps[order]) > LEAP).any():  # a date is wrong; the order sent shows the guard which one
        return raw
    return raw[np.concatenate([np.flatnonzero(readable)[order], np.flatnonzero(~readable)])]


def known_and_new(raw: RawBars, timetable: Timetable, last: Bar | None) -> tuple[RawBars, RawBars]:
    """Divide the rows into those about bars up to the ``last`` one taken in, and new ones."""
    if last is None or not len(raw):
        return raw.where(np.zeros(len(raw), dtype=np.bool_)), raw
    readable = raw.stamp != NO_TIME
    stamps = np.where(readable, raw.stamp, last.open_time)
    opens, _, _ = timetable.spans(stamps, raw.stamp_kind)
    before = readable & (opens <= last.open_time)
    return raw.where(before), raw.where(~before)


def opened_before(raw: RawBars, timetable: Timetable, moment: int) -> RawBars:
    """Leave out the rows of bars that open at a moment or later; rows without a readable time stay."""
    readable = raw.stamp != NO_TIME
    opens, _, _ = timetable.spans(np.where(readable, raw.stamp, moment), raw.stamp_kind)
    return raw.where(~readable | (opens < moment))


READ_TOGETHER = 128
"""Series that are read together, and most bars of each."""


class KnownBars:
    """Gives the stored bars of the instruments of one call, as they were before it.

    The store unpacks the bars of many series to read one, and if answers overlap, all series are read anyway: so those
    of the instruments that come next in ``names`` are read as well. ``base`` gives the series of an instrument.
    """

    def __init__(self, log: BarLog, names: Sequence[str], base: Callable[[str], SeriesKey]) -> None:
        self._log = log
        self._names = names
        self._base = base
        self._recent: dict[str, Bars] = {}

    def around(self, name: str, opened: int, count: int) -> Bars:
        """Give the last bars of an instrument, at least as far back as one that ``opened`` then.

        There are probably not more than ``count`` from that one on.
        """
        if name not in self._recent and count <= READ_TOGETHER:
            at = self._names.index(name)
            each_bars = self._log.load(map(self._base, self._names[at : at + READ_TOGETHER]), count)
            # Copies, so that the few bars kept do not hold the others in memory.
            self._recent |= {each.key.instrument: Bars(*map(np.copy, each.bars.columns())) for each in each_bars}
        found = self._recent[name] if name in self._recent else self._alone(name, count)
        return self._alone(name, None) if len(found) and opened < found.open_time[0] else found

    def _alone(self, name: str, count: int | None) -> Bars:
        (stored,) = self._log.load([self._base(name)], count)
        return stored.bars
