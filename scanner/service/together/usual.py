"""Which answers of a feed are usual: the last bar unchanged, the next one, and perhaps one that is still open."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from scanner.market.bars import NO_TIME, RawBars
from scanner.market.numbers import BEYOND_PRICES
from scanner.market.unusual import LEAP

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from scanner.market.sessions.timetables import Timetable
    from scanner.service.together.arrival import Arrival

    Integers = NDArray[np.int64]
    Marks = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Rows:
    """The rows of many answers in one table: those of the answer k are ``count[k]`` from ``begin[k]`` on."""

    raw: RawBars
    begin: Integers
    count: Integers

    @classmethod
    def of(cls, arrivals: Sequence[Arrival]) -> Rows:
        """Put the rows of answers of one source together; rows that already share a table are not copied."""
        shared: dict[int, tuple[RawBars, int]] = {}
        size = 0
        begins, counts = [], []
        for each in arrivals:
            raw, part = each.raw, each.part
            found = shared.get(id(raw))
            if found is None:
                found = shared[id(raw)] = raw, size
                size += len(raw)
            begins.append(found[1] + part.start)
            counts.append(part.stop - part.start)
        raws = [raw for raw, _ in shared.values()]
        return cls(_joined(raws), np.array(begins, dtype=np.int64), np.array(counts, dtype=np.int64))


def _joined(raws: Sequence[RawBars]) -> RawBars:
    if len(raws) == 1:
        return raws[0]
    stamp, first, high, low, last, volume, row = (
        np.concatenate([getattr(raw, name) for raw in raws])
        for name in ("stamp", "open", "high", "low", "close", "volume", "row")
    )
    return RawBars(stamp, first, high, low, last, volume, row, raws[0].source, raws[0].stamp_kind)


@dataclass(frozen=True, slots=True)
class Usual:
    """Which answers are ``usual``, and what these hold: rows that have ``closed``, and the one ``new`` bar.

    ``new`` is the row of the bar after the last known one, −1 if there is none, and ``opens`` and ``closes`` are its
    times. For the other answers these values mean nothing.
    """

    usual: Marks
    closed: Integers
    new: Integers
    opens: Integers
    closes: Integers


def usual_answers(
    rows: Rows, times: Integers, prices: NDArray[np.float64], timetable: Timetable, phases: Integers, now: Integers
) -> Usual:
    """Separate usual answers from the others, each of which needs a close look.

    ``times`` (answers × open and close) and ``prices`` (answers × 5) are those of the last known bar of each
    instrument, ``phases`` where its bars begin after a whole hour (see ``Guard.phase``), and ``now`` is when a bar must
    have closed. A new bar is one that the guard would take without a note.
    """
    raw, spot = rows.raw, 1 if rows.raw.stamp_kind == "close" else 0
    known = (times[:, 0] != NO_TIME) & (rows.count > 0)

    def at(place: Integers) -> Integers:
        clipped: Integers = np.minimum(rows.begin + place, len(raw) - 1)
        return clipped

    first = at(np.zeros(len(now), dtype=np.int64))
    was = (raw.open[first], raw.high[first], raw.low[first], raw.close[first], raw.volume[first])
    seen = known & (raw.stamp[first] == times[:, spot])
    for column, value in zip(prices.T, was, strict=True):
        seen &= (column == value) | (np.isnan(column) & np.isnan(value))
    place = seen.astype(np.int64)  # of the row after the last bar, if the answer has one
    left = rows.count - place

    follows = timetable.following(times[:, 1])
    after = timetable.following(follows[1])
    next_row = at(place)
    is_next = known & (left > 0) & (raw.stamp[next_row] == follows[spot]) & (follows[1] != NO_TIME)
    has_closed = is_next & (follows[1] <= now)
    is_open = (left == 2) & (raw.stamp[at(place + 1)] == after[spot]) & (after[1] > now)  # noqa: PLR2004 - one more
    usual = known & ((left == 0) & seen | is_next & (left == 1) | has_closed & is_open)

    sound = _sound(raw, next_row, prices[:, 3], prices[:, 4])
    if not timetable.calendar.known:
        sound &= follows[0] % timetable.longest_phase == phases
    usual &= sound | ~has_closed
    new = usual & has_closed
    return Usual(usual, place + new, np.where(new, next_row, -1), follows[0], follows[1])


def _sound(raw: RawBars, at: Integers, last_close: NDArray[np.float64], last_volume: NDArray[np.float64]) -> Marks:
    """Say which rows have numbers that the guard takes without a note after those of the last bar.

    NaN fails all comparisons.
    """
    first, high, low, last, volume = raw.open[at], raw.high[at], raw.low[at], raw.close[at], raw.volume[at]
    sound = (low > -BEYOND_PRICES) & (low <= first) & (first <= high) & (high < BEYOND_PRICES)
    sound &= (low <= last) & (last <= high) & ~((volume < 0) | (volume == np.inf))
    sound &= ~((low == high) & (volume == 0)) & (np.isnan(volume) == np.isnan(last_volume))
    least, most = np.minimum(low, last_close), np.maximum(high, last_close)
    sound &= ~((least > 0) & (most >= LEAP * least))
    return sound
