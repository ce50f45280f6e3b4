"""Which rows of an answer are of bars that have closed, and which of them are about bars taken in before."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from scanner.market.bars import NO_TIME

if TYPE_CHECKING:
    from scanner.market.bars import Bar, RawBars
    from scanner.market.sessions import Timetable


def closed_rows(raw: RawBars, timetable: Timetable, now: int) -> RawBars:
    """Leave out the bars that are still open at ``now``; what cannot be read stays, for the guard to refuse."""
    readable = raw.stamp != NO_TIME
    stamps = np.where(readable, raw.stamp, now)
    _, closes, aligned = timetable.spans(stamps, raw.stamp_kind)
    return raw.where(~readable | ~aligned | (closes <= now))


def known_and_new(raw: RawBars, timetable: Timetable, last: Bar | None) -> tuple[RawBars, RawBars]:
    """Part the rows into those about bars up to the ``last`` one taken in, and new ones.

    Of a bar that was taken in before, only the last row counts: a correction may come together with what it corrects.
    """
    if last is None or not len(raw):
        return raw.where(np.zeros(len(raw), dtype=np.bool_)), raw
    readable = raw.stamp != NO_TIME
    stamps = np.where(readable, raw.stamp, last.open_time)
    opens, _, _ = timetable.spans(stamps, raw.stamp_kind)
    before = readable & (opens <= last.open_time)
    return _last_of_each(raw.where(before)), raw.where(~before)


def _last_of_each(rows: RawBars) -> RawBars:
    """Keep the last of the rows of each time."""
    times, places = np.unique(rows.stamp[::-1], return_index=True)
    if len(times) == len(rows):
        return rows
    kept = np.zeros(len(rows), dtype=np.bool_)
    kept[len(rows) - 1 - places] = True
    return rows.where(kept)
