"""The usual answer of a feed: the last bar as it was, the next one, and perhaps the one that is still open."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from scanner.market.bars import Bar, RawBars
    from scanner.market.sessions import Timetable

MOST_ROWS = 3


def usual_rows(raw: RawBars, last: Bar | None, timetable: Timetable, now: int) -> tuple[RawBars, RawBars] | None:
    """Give those rows of a usual answer that are closed at ``now``, and the new ones of them; None of any other answer.

    ``last`` is the last bar known. Only spares time, since ten thousand such answers come in one second: what is not
    usual has to be looked at closely.
    """
    if not 0 < len(raw) <= MOST_ROWS or last is None or raw.stamp_kind == "date" or not timetable.timeframe.intraday:
        return None
    stamps: list[int] = raw.stamp.tolist()
    by_close = raw.stamp_kind == "close"
    if stamps[0] != (last.close_time if by_close else last.open_time) or not _same(raw, last):
        return None
    before = last.close_time
    for place, stamp in enumerate(stamps[1:], 1):
        begins, ends = _next(timetable, before)
        if stamp != (ends if by_close else begins):
            return None
        if ends > now:  # still open; nothing may come after it
            return _parts(raw, place) if place == len(stamps) - 1 else None
        before = ends
    return _parts(raw, len(stamps)) if len(stamps) < MOST_ROWS else None


def _next(timetable: Timetable, after: int) -> tuple[int, int]:
    if timetable.calendar.known:
        return timetable.next_close(after)
    return after, after + timetable.timeframe.nanoseconds


def _same(raw: RawBars, last: Bar) -> bool:
    volume, known = raw.volume.item(0), last.volume
    return (
        raw.close.item(0) == last.close
        and raw.high.item(0) == last.high
        and raw.low.item(0) == last.low
        and raw.open.item(0) == last.open
        and (volume == known or (volume != volume and known != known))  # noqa: PLR0124 - NaN is no volume
    )


def _parts(raw: RawBars, end: int) -> tuple[RawBars, RawBars]:
    return raw if end == len(raw) else raw[:end], raw[1:end]
