"""What a station will report about itself: troubles, and setups and endings that a summary must list."""

from __future__ import annotations

import asyncio
from bisect import insort
from collections import deque
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import structlog

if TYPE_CHECKING:
    from collections.abc import Sequence

    from scanner.events import Event

NAMED = 50
"""Setups that a summary names, while it only counts the others; and the last troubles that it lists."""


def late_feed(name: str, reason: str) -> str:
    """Put into words that a feed became late."""
    return f"feed {name} late: {reason}"


@dataclass(frozen=True, slots=True, order=True)
class _Came:
    """An event: when its bar closed, and its place in the order of arrival."""

    time: int
    place: int
    event: Event = field(compare=False)


class SetupList:
    """Setups and endings to be listed: all are counted, those with the newest bars are named."""

    def __init__(self) -> None:
        self._came = self._told = 0
        self._newest: deque[_Came] = deque(maxlen=NAMED)
        """The newest last."""

    @property
    def count(self) -> int:
        """How many there are."""
        return self._came - self._told

    def add(self, event: Event) -> None:
        """Take note of one."""
        self._came += 1
        came = _Came(event.time, self._came, event)
        if len(self._newest) == NAMED:
            if came < self._newest[0]:
                return
            self._newest.popleft()
        insort(self._newest, came)

    def add_earlier(self, count: int, last: Sequence[Event]) -> None:
        """Take note of several; only the last of them are given by name."""
        self._came += count - len(last)
        for event in last:
            self.add(event)

    def drop(self, count: int) -> None:
        """Forget the first ``count``, which have been reported; others may have come meanwhile."""
        self._told += count
        self._newest = deque((each for each in self._newest if each.place > self._told), maxlen=NAMED)

    def newest(self) -> list[Event]:
        """Give the named ones, the newest last."""
        return [each.event for each in self._newest]


class ToReport:
    """What a station will report about itself: troubles, and setups and endings."""

    def __init__(self, station: str) -> None:
        self.troubles: list[str] = []
        """The last ones since the last summary of the day, each once."""
        self.found = SetupList()
        """Those since the last summary of the day."""
        self.missed = SetupList()
        """Those that came too late to be sent and are in no summary yet."""
        self.is_missed = asyncio.Event()
        """Set when something comes too late."""
        self._log = structlog.get_logger("closewatch").bind(station=station)

    def note(self, trouble: str) -> None:
        """Take note of a trouble, for the log and, once, for the summary of the day."""
        self._log.warning("trouble", trouble=trouble)
        if trouble not in self.troubles:  # one that comes every minute must not drive out the others
            self.troubles.append(trouble)
        del self.troubles[:-NAMED]

    def heard(self, events: Sequence[Event], missed: Sequence[Event]) -> None:
        """Take note of what was found: events that are sent, and events that are too old to be news."""
        for event in (*events, *missed):
            if event.kind == "setup.qualified":
                self.found.add(event)
        for event in missed:
            self.missed.add(event)
            self.is_missed.set()

    def remember(self, count: int, last: Sequence[Event]) -> None:
        """Take note of what an earlier run found too late and put in no summary."""
        self.missed.add_earlier(count, last)
