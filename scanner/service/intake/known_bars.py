"""What is known of an answer: which rows are of closed bars, which repeat earlier ones, and the stored bars beside."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from scanner.clocks import SECOND
from scanner.events import rfc3339
from scanner.market.bars import NO_TIME, Bars
from scanner.market.order import JUMP

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from scanner.market.bars import Bar, RawBars
    from scanner.market.sessions.timetables import Timetable
    from scanner.store import SeriesKey
    from scanner.store.bars import BarLog


CLOCKS_APART = 30 * SECOND
"""How far the clock of a feed may be ahead of ours."""


def closed_known_and_new(
    raw: RawBars, timetable: Timetable, last: Bar | None, now: int
) -> tuple[RawBars, RawBars, RawBars]:
    """Give the rows of bars that are not still open at ``now``, and of these, in order, the known and the new ones.

    Known are those about bars up to the ``last`` one taken in. Unreadable rows are new, for the guard to refuse.
    """
    opens, closes, aligned = timetable.spans(raw.stamp, raw.stamp_kind)
    closed = ~aligned | (closes <= now)
    if not closed.all():
        raw, opens = raw[closed], opens[closed]
    before = np.zeros(len(raw), dtype=np.bool_)
    if last is not None:
        before = (raw.stamp != NO_TIME) & (opens <= last.open_time)
    order = _order(raw.stamp)
    if order is None:
        return raw, raw.where(before), raw.where(~before)
    before = before[order]
    return raw, raw[order[before]], raw[order[~before]]


def _order(stamps: NDArray[np.int64]) -> NDArray[np.intp] | None:
    """Give the order of rows by their times, since an answer may come in any; None if they are to stay as they are.

    Those without a readable time come last. Among rows of the same time the last one sent comes first, since the guard
    takes the first that can be a bar: a correction may come together with the row that it corrects.
    """
    readable = stamps != NO_TIME
    known = stamps[readable]
    if (known[1:] > known[:-1]).all():
        return None
    order = np.lexsort((-np.arange(len(known)), known))
    if (np.diff(known[order]) > JUMP).any():  # a date is wrong; the order sent shows the guard which one
        return None
    return np.concatenate([np.flatnonzero(readable)[order], np.flatnonzero(~readable)])


def not_begun(raw: RawBars, timetable: Timetable, now: int) -> str:
    """Say, of an answer that was asked for at ``now``, that its bars go on beyond the one open then; empty if not.

    Then all of its times are ahead, as by a wrong zone, and what counts as closed by now closed hours ago. A bar ahead
    that does not follow another is a mistake of its own, a day may be announced before it begins, and a row without
    prices only fills a table up.
    """
    if not timetable.timeframe.intraday:
        return ""
    opens, closes, aligned = timetable.spans(raw.stamp, raw.stamp_kind)
    ahead = np.flatnonzero(aligned & (opens > now + CLOCKS_APART) & np.isfinite(raw.close))
    if not len(ahead):
        return ""
    first = ahead[int(np.argmin(opens[ahead]))]
    if not (closes == opens[first]).any():
        return ""
    return (
        f"{raw.source}, row {raw.row[first]}: its bar only begins at {rfc3339(int(opens[first]))}, after "
        f"{rfc3339(now // SECOND * SECOND)}, when the feed was asked, so its times, or this machine's clock, are wrong"
    )


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
        self._counts: dict[str, int] = {}
        """How many bars were read of each."""

    def around(self, name: str, opened: int, count: int) -> Bars:
        """Give the last bars of an instrument, at least as far back as one that ``opened`` then.

        There are probably not more than ``count`` from that one on.
        """
        if count > READ_TOGETHER:
            found = self._alone(name, count)
        else:
            if self._counts.get(name, 0) < count:
                self._read_together(name, count)
            found = self._recent[name]
        return self._alone(name, None) if len(found) and opened < found.open_time[0] else found

    def _read_together(self, name: str, count: int) -> None:
        at = self._names.index(name)
        names = self._names[at : at + READ_TOGETHER]
        each_bars = self._log.load(map(self._base, names), count)
        # Copies, so that the few bars kept do not hold the others in memory.
        self._recent |= {each.key.instrument: Bars(*map(np.copy, each.bars.columns())) for each in each_bars}
        self._counts |= dict.fromkeys(names, count)

    def _alone(self, name: str, count: int | None) -> Bars:
        (stored,) = self._log.load([self._base(name)], count)
        return stored.bars
