"""The schedule: when which bars close.

One timer serves all instruments that share a feed, a calendar and a timeframe.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from scanner.market.sessions.timetables import Timetable

if TYPE_CHECKING:
    from collections.abc import Sequence

    from scanner.configuration.model.settings import Watched


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


def groups_of(watched: Sequence[Watched]) -> list[Group]:
    """Group instruments whose bars close at the same time and come from the same feed."""
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
    """Which close of a timetable was given last."""

    timetable: Timetable
    given: int

    def take(self, now: int) -> int | None:
        """Give the last close up to ``now``, unless it is the one that was given last.

        After a sleep only the last of several is given. After the clock was set back an earlier close is given
        again: its bar may never have come.
        """
        last = self.timetable.last_close(now)
        if last == self.given:
            return None
        self.given = last
        return last
