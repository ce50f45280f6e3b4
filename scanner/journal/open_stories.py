"""The open stories of a store, without reading earlier events again."""

from __future__ import annotations

from typing import TYPE_CHECKING

from scanner.event_data import chosen_entry
from scanner.events import OF_SETUPS
from scanner.journal.stories import Story

if TYPE_CHECKING:
    from scanner.event_data import SetupData
    from scanner.events import Event
    from scanner.store import KeptEvent, Store


class OpenStories:
    """Reads the events since the last call, and drops stories that have ended."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._open: dict[str, list[KeptEvent]] = {}
        self._last = 0

    def look(self) -> list[Story]:
        """Give the open stories of setups that plan an entry, in the order of their first events."""
        events = self._store.events
        if not self._last:
            self._last = events.last()
            self._take(events.unfinished(self._last))
        since = events.find(after=self._last, kinds=OF_SETUPS)
        self._take(since)
        if since:
            self._last = since[-1].number
        return [Story(tuple(events)) for events in self._open.values()]

    def _take(self, said: list[KeptEvent]) -> None:
        for kept in said:
            thread = kept.event.thread
            if kept.event.facts.ends:
                self._open.pop(thread, None)
            elif (kept.event.facts.begins and _is_planned(kept.event)) or thread in self._open:
                self._open.setdefault(thread, []).append(kept)


def _is_planned(setup: Event) -> bool:
    """Whether a setup plans an entry: one that does not has no later events."""
    data: SetupData = setup.data
    return chosen_entry(data)["risk"] is not None
