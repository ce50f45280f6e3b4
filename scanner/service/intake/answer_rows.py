"""Which rows of an answer are of bars that have closed, and which of them are about bars taken in before."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from scanner.market.bars import NO_TIME
from scanner.market.order import LEAP

if TYPE_CHECKING:
    from scanner.market.bars import Bar, RawBars
    from scanner.market.sessions.timetables import Timetable


def closed_rows(raw: RawBars, timetable: Timetable, now: int) -> RawBars:
    """Leave out the bars that are still open at ``now``; what cannot be read stays, for the guard to refuse."""
    readable = raw.stamp != NO_TIME
    stamps = np.where(readable, raw.stamp, now)
    _, closes, aligned = timetable.spans(stamps, raw.stamp_kind)
    return raw.where(~readable | ~aligned | (closes <= now))


def in_order(raw: RawBars) -> RawBars:
    """Put rows in the order of their times, since an answer may come in any; those without a readable time come last.

    Of several rows of one time the last comes first, since the guard takes the first that can be a bar: a correction
    may come together with what it corrects.
    """
    readable = raw.stamp != NO_TIME
    stamps = raw.stamp[readable]
    if (stamps[1:] > stamps[:-1]).all():
        return raw
    order = np.lexsort((-np.arange(len(stamps)), stamps))
    if (np.diff(stamps[order]) > LEAP).any():  # a date is wrong; by the order sent the guard sees which one
        return raw
    return raw[np.concatenate([np.flatnonzero(readable)[order], np.flatnonzero(~readable)])]


def known_and_new(raw: RawBars, timetable: Timetable, last: Bar | None) -> tuple[RawBars, RawBars]:
    """Part the rows into those about bars up to the ``last`` one taken in, and new ones."""
    if last is None or not len(raw):
        return raw.where(np.zeros(len(raw), dtype=np.bool_)), raw
    readable = raw.stamp != NO_TIME
    stamps = np.where(readable, raw.stamp, last.open_time)
    opens, _, _ = timetable.spans(stamps, raw.stamp_kind)
    before = readable & (opens <= last.open_time)
    return raw.where(before), raw.where(~before)
