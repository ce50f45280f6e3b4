"""The chart that goes with an event: which events have one, and that it is drawn from what the store has."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

from scanner.analysis.rules import Rules
from scanner.commands.station.event_chart import event_chart
from scanner.configuration.model.settings import Settings, from_document
from scanner.present.chart.chart import chart_for
from scanner.present.story_chart.chart import story_chart_for
from scanner.service.changes.retelling import given_up
from scanner.store import Batch, Said, Store
from scanner.store.upkeep.maintenance import compact
from tests.laws import all_setups
from tests.service.one_desk import BARS, KEY, LATER, desk, take

if TYPE_CHECKING:
    from collections.abc import Iterator

    from scanner.events import Event

RULES = Rules(place_quality="plain")


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "kept.db", lambda: LATER) as opened:
        take(desk(opened, rulebook=all_setups(RULES)), BARS)
        yield opened


def settings(instrument: str = "GANNET") -> Settings:
    return from_document(
        {
            "station": {"zone": "UTC", "store": "kept.db"},
            "rules": {"place_quality": "plain"},
            "defaults": {"feed": "tape", "timeframes": ["15m"]},
            "feeds": {"tape": {"type": "recorded", "path": "."}},
            "instruments": {instrument: {"step": "0.01"}},
        },
        Path(),
        {},
    )


def said(store: Store) -> list[Event]:
    return [kept.event for kept in store.events.find()]


def test_events_of_a_position_come_with_the_chart_of_its_story_so_far(store: Store) -> None:
    events = said(store)
    for kind in ("setup.entered", "setup.exit_signal", "setup.closed"):
        event = next(each for each in events if each.kind == kind)
        whole = [each for each in events if each.thread == event.thread]
        told = whole[: whole.index(event) + 1]
        end = int(np.searchsorted(BARS.close_time, event.time)) + 1
        assert event_chart(settings(), store, event) == story_chart_for(BARS[:end], told, RULES, "UTC")


def test_a_position_that_was_broken_off_comes_with_the_chart_of_its_story_up_to_then(store: Store) -> None:
    entered = next(event for event in said(store) if event.kind == "setup.entered")
    whole = [each for each in said(store) if each.thread == entered.thread]
    last = BARS.last()
    assert last is not None
    broken = given_up(whole[-1], "the feed restated bars", last)
    store.commit(Batch(said=[Said(broken, series=KEY)]))
    assert event_chart(settings(), store, broken) == story_chart_for(BARS, [*whole, broken], RULES, "UTC")


def test_a_setup_comes_with_its_own_chart_whatever_came_of_it(store: Store) -> None:
    event = next(each for each in said(store) if each.facts.begins)
    end = int(np.searchsorted(BARS.close_time, event.time)) + 1
    assert event_chart(settings(), store, event) == chart_for(BARS[:end], event, RULES, "UTC")


def test_what_ends_without_an_entry_comes_with_none(store: Store) -> None:
    kinds = {"setup.lapsed", "setup.spoiled"}
    others = [event for event in said(store) if event.kind in kinds]
    assert {event.kind for event in others} == kinds
    assert [event_chart(settings(), store, event) for event in others] == [None] * len(others)


def test_without_the_bars_the_setup_or_the_instrument_there_is_no_chart(store: Store) -> None:
    events = [event for event in said(store) if event.kind in {"setup.qualified", "setup.closed"}]
    assert [event_chart(settings("PETREL"), store, event) for event in events[:4]] == [None] * 4
    compact(store, keep_bars=1, keep_days=10_000)
    first = min(stored.bars.close_time[0] for stored in store.bars.load(store.bars.keys))
    gone = [event for event in events if event.time < first]
    assert {event.kind for event in gone} == {"setup.qualified", "setup.closed"}
    assert [event_chart(settings(), store, event) for event in gone] == [None] * len(gone)
    lost = replace(next(event for event in events if event.kind == "setup.closed"), id="lost", thread="lost")
    store.commit(Batch(said=[Said(lost, series=KEY)]))
    assert event_chart(settings(), store, lost) is None
