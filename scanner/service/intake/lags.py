"""How far the bars of a series lag behind the bar closes."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from scanner.market.sessions.timetables import Timetable


class Lag(NamedTuple):
    """``time`` in nanoseconds since the close of the first missing bar, 0 if none is, and how many are missing."""

    time: int
    missing: int


class Lags:
    """The lags at ``now`` (nanoseconds since 1970 UTC) of series that share a timetable.

    Most of them have the same last bar, so each answer is kept.
    """

    def __init__(self, timetable: Timetable, now: int) -> None:
        self.timetable = timetable
        self.now = now
        self.next_close = timetable.next_close(now)[1]
        self._known: dict[int, Lag] = {}

    def behind(self, last: int) -> Lag:
        """Return the lag of a series whose last bar closed at ``last``."""
        if last not in self._known:
            closes = self.timetable.closes_between(last, self.now)[1]
            self._known[last] = Lag(self.now - int(closes[0]), len(closes)) if len(closes) else Lag(0, 0)
        return self._known[last]
