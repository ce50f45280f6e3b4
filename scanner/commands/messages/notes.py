"""The notes added to each event of a setup when it is sent."""

from __future__ import annotations

from typing import TYPE_CHECKING

from scanner.ports import Notes

if TYPE_CHECKING:
    from collections.abc import Callable

    from scanner.events import Event
    from scanner.store import Store


def notes_of(event: Event, store: Store, risk: Callable[[Event], list[str]], record: Callable[[Event], str]) -> Notes:
    """Give open risk and record for a setup that is found or forming, and the setup for events that follow it."""
    if event.facts.follows:
        return Notes(setup=next((each.data for each in version_up_to(event, store)), None))
    return Notes(tuple(risk(event)), record(event))


def version_up_to(event: Event, store: Store) -> list[Event]:
    """Give the latest version of the setup that an event follows, and all up to that; empty if it left the store."""
    told: list[Event] = []
    for kept in store.events.story(event.thread):
        if kept.event.facts.begins:
            told = [kept.event]
        elif told:
            told.append(kept.event)
        if kept.event.id == event.id:
            break
    return told
