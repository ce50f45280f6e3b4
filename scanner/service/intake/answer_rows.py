"""Which rows of an answer are of closed bars, and which of these repeat bars taken in before."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from scanner.market.bars import NO_TIME
from scanner.market.order import LEAP

if TYPE_CHECKING:
    from scanner.market.bars import Bar, RawBars
    from scanner.market.sessions.timetables import Timetable


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
