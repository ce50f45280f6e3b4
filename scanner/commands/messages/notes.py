"""The notes added to each event of a setup when it is sent."""

from __future__ import annotations

from typing import TYPE_CHECKING

from scanner.ports import Notes

if TYPE_CHECKING:
    from collections.abc import Callable

    from scanner.event_data import SetupData
    from scanner.events import Event
    from scanner.store import Store


def notes_of(event: Event, store: Store, risk: Callable[[Event], list[str]], record: Callable[[Event], str]) -> Notes:
    """Give open risk and record for a setup that is found or forming, and the setup for events that follow it."""
    if event.facts.follows:
        return Notes(setup=setup_before(event, store))
    return Notes(tuple(risk(event)), record(event))


def setup_before(event: Event, store: Store) -> SetupData | None:
    """Give the setup that an event follows, in its latest version before it; None if it has left the store."""
    found: SetupData | None = None
    for kept in store.events.story(event.thread):
        if kept.event.id == event.id:
            break
        if kept.event.facts.begins:
            found = kept.event.data
    return found
