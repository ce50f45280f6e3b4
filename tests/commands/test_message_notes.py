"""What goes with each event of a setup when it leaves."""

from __future__ import annotations

from typing import TYPE_CHECKING

from scanner.commands.messages.notes import notes_of
from scanner.events import event_id
from scanner.ports import Notes
from scanner.store import Batch, Said, Store
from tests.adapters.samples import BAR_CLOSE, forming_event, setup_event, station_event, withdrawn_event
from tests.adapters.story_samples import story_event

if TYPE_CHECKING:
    from pathlib import Path

    from scanner.events import Event


def notes(event: Event, store: Store) -> Notes:
    return notes_of(event, store, lambda _: ["so much is open"], lambda _: "so it went")


def test_later_events_go_with_the_latest_version_of_the_setup(tmp_path: Path) -> None:
    first = setup_event()
    again = setup_event()
    again = type(again)(
        again.kind, event_id("again"), again.time, again.subject, again.data | {"size": "7"}, thread=first.id
    )
    entered, unknown = story_event("setup.entered", first), story_event("setup.entered", setup_event("GANNET"))
    said = [first, withdrawn_event(first), again, entered]
    with Store.open(tmp_path / "kept.db", lambda: BAR_CLOSE) as store:
        store.commit(Batch(said=[Said(event) for event in said]))
        assert notes(first, store) == Notes(("so much is open",), "so it went")
        assert notes(forming_event(first), store).record == "so it went"
        assert notes(withdrawn_event(first), store) == Notes(setup=first.data)
        assert notes(entered, store) == Notes(setup=again.data)
        assert notes(unknown, store) == Notes()
        assert not station_event().facts.follows
