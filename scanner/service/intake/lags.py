"""How far what is known of a series lies behind the bar closes that have come."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from scanner.market.sessions.timetables import Timetable


class Lag(NamedTuple):
    """``time`` in nanoseconds since the first bar closed that is missing, 0 where none is, and how many are missing."""

    time: int
    missing: int


class Lags:
    """The lags at ``now`` (nanoseconds since 1970 UTC) of series whose bars close by one timetable.

    Most of them have the same last bar, so each answer is kept.
    """

    def __init__(self, timetable: Timetable, now: int) -> None:
        self.timetable = timetable
        self.now = now
        self.next_close = timetable.next_close(now)[1]
        self._known: dict[int, Lag] = {}

    def behind(self, last: int) -> Lag:
        """Say how far a series lags whose last bar closed at ``last``."""
        if last not in self._known:
            closes = self.timetable.closes_between(last, self.now)[1]
            self._known[last] = Lag(self.now - int(closes[0]), len(closes)) if len(closes) else Lag(0, 0)
        return self._known[last]
