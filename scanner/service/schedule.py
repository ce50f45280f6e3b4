"""The schedule: when which bars close. A pure core that says what is due, and a thin trigger around it.

One job serves all instruments that share a feed, a calendar and a timeframe.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime
from math import ceil
from typing import TYPE_CHECKING, Any

from apscheduler.triggers.base import BaseTrigger

from scanner.clocks import SECOND
from scanner.market.sessions import Timetable

if TYPE_CHECKING:
    from collections.abc import Sequence

    from scanner.clocks import Clock
    from scanner.settings import Watched


LONG_AGO = 10 * 366 * 86_400 * SECOND
"""An exchange that has been closed for longer does not open again."""


@dataclass(frozen=True, slots=True)
class Group:
    """Instruments whose bars close together: one feed, one calendar, one timeframe of the feed."""

    feed: str
    timetable: Timetable
    instruments: tuple[str, ...]

    @property
    def name(self) -> str:
        """What the group is called in logs and timetables."""
        calendar = self.timetable.calendar
        zone = f" {calendar.tz}" if calendar.name in {"none", "24/7"} and calendar.tz != "UTC" else ""
        return f"{self.feed} {calendar.name}{zone} {self.timetable.timeframe.name}"

    def last_close(self, now: int) -> int:
        """Give the last close up to ``now``; 0 where there was none for years."""
        span = 40 * self.timetable.timeframe.nanoseconds
        while span < LONG_AGO:
            closes = self.timetable.closes_between(now - span, now)[1]
            if len(closes):
                return int(closes[-1])
            span *= 8
        return 0


def groups_of(watched: Sequence[Watched]) -> list[Group]:
    """Put instruments together whose bars close at the same time and come from the same feed."""
    found: dict[tuple[str, str, str, str], list[Watched]] = {}
    for each in watched:
        found.setdefault((each.feed, each.calendar.name, each.calendar.tz, each.base.name), []).append(each)
    return [
        Group(
            feed,
            Timetable(together[0].calendar, together[0].base),
            tuple(each.instrument.symbol for each in together),
        )
        for (feed, *_), together in found.items()
    ]


@dataclass(slots=True)
class Due:
    """What of one timetable has been seen to. Whatever the clock does, each close is given once, in order."""

    timetable: Timetable
    seen: int
    given: list[int] = field(default_factory=list)

    def take(self, now: int) -> list[int]:
        """Give the closes that came since the last call: several after a sleep, none when the clock went back."""
        _, closes = self.timetable.closes_between(self.seen, now)
        if len(closes):
            self.seen = int(closes[-1])
        return [int(close) for close in closes]

    def next(self) -> int:
        """Give the next close that has not been given."""
        return self.timetable.next_close(self.seen)[1]


class BarCloseTrigger(BaseTrigger):  # type: ignore[misc]  # the library has no types
    """Fires ``settle`` seconds after each bar close of a timetable, by the given clock.

    The library asks more than once what follows a time of firing, and must be told the same each time.
    """

    def __init__(self, due: Due, settle: float, clock: Clock) -> None:
        self.due = due
        self.settle = round(settle * SECOND)
        self.clock = clock
        self._closes: dict[datetime, int] = {}
        """The closes that the latest times of firing stand for."""

    def get_next_fire_time(self, previous: Any, now: datetime) -> datetime:  # noqa: ANN401 - the library's
        """Give the time of the close that follows the one ``previous`` stands for; of those past, only of the last."""
        del now
        timetable, before = self.due.timetable, self._closes.get(previous, self.due.seen)
        _, past = timetable.closes_between(before, self.clock.now() - self.settle)
        close = int(past[-1]) if len(past) else timetable.next_close(before)[1]
        # Rounded up: a hair before its close, a bar is still open.
        following = datetime.fromtimestamp(ceil(self.clock.wall_time(close + self.settle) * 1_000) / 1_000, UTC)
        self._closes = {fires: each for fires, each in self._closes.items() if each >= before} | {following: close}
        return following
