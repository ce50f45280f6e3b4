"""The stories of setups, put together from the events of a store."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable

    from scanner.event_data import SetupData, StoryData
    from scanner.events import Event
    from scanner.store import KeptEvent

SHORTEST_ID, SHOWN_ID = 4, 8
"""Fewest letters of an id that may name a story, and that are shown if they are enough to tell stories apart."""


@dataclass(frozen=True, slots=True)
class Story:
    """All events of one setup, in order; the first of them begins it."""

    events: tuple[KeptEvent, ...]

    @property
    def id(self) -> str:
        """The id of the first event, which all share as their thread."""
        return self.events[0].event.thread

    @property
    def found(self) -> int:
        """The close of the setup's last bar, in nanoseconds since 1970 UTC."""
        return self.events[0].event.time

    @property
    def last(self) -> Event:
        """The last event."""
        return self.events[-1].event

    @property
    def is_open(self) -> bool:
        """Whether its story is open."""
        return not self.last.facts.ends

    @property
    def setup(self) -> SetupData:
        """The latest version of the setup: after a withdrawal it may be reported again, with other levels."""
        return self.setup_at(self.events[-1].number)

    def setup_at(self, number: int) -> SetupData:
        """Give the setup as it was when the event of this number was the last."""
        data: SetupData = self.version_at(number)[0].data
        return data

    @property
    def told(self) -> StoryData | None:
        """The state of the latest version of the setup; None if nothing was reported of it, or that was withdrawn."""
        return self.told_at(self.events[-1].number)

    def told_at(self, number: int) -> StoryData | None:
        """Give its state when the event of this number was the last; None as above."""
        since = self.version_at(number)[1:]
        if not since or since[-1].kind == "setup.withdrawn":
            return None
        data: StoryData = since[-1].data
        return data

    @property
    def version(self) -> list[Event]:
        """The event that reported the latest version of the setup, and all after it."""
        return self.version_at(self.events[-1].number)

    def version_at(self, number: int) -> list[Event]:
        """Give these when the event of this number was the last."""
        until = [each.event for each in self.events if each.number <= number]
        return until[max(at for at, event in enumerate(until) if event.facts.begins) :]


def stories(events: Iterable[KeptEvent]) -> list[Story]:
    """Put stories together, in the order in which they began; those without their first event are left out.

    Those that began at the same time are in the order of their series, whichever arrived first.
    """
    threads: dict[str, list[KeptEvent]] = {}
    for each in events:
        threads.setdefault(each.event.thread, []).append(each)
    whole = [Story(tuple(found)) for thread, found in threads.items() if thread and found[0].event.facts.begins]
    return sorted(whole, key=lambda each: (each.found, each.events[0].event.subject, each.id))


def is_id(text: str) -> bool:
    """Whether a text can be the first letters of a story's id."""
    return re.fullmatch(f"[0-9a-f]{{{SHORTEST_ID},32}}", text) is not None


def short_ids(ids: Collection[str]) -> dict[str, str]:
    """Give the first letters of each id: as many as needed to tell them apart.

    >>> short_ids(["3f2a1b9c07", "3f2a1b9c55"])
    {'3f2a1b9c07': '3f2a1b9c0', '3f2a1b9c55': '3f2a1b9c5'}
    """
    longest = max(map(len, ids), default=0)
    length = next(
        (length for length in range(SHOWN_ID, longest) if len({each[:length] for each in ids}) == len(ids)), longest
    )
    return {each: each[:length] for each in ids}
