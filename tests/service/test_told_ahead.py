"""Setups announced one bar ahead, through the desk: published once, sent in time or not at all, part of no story."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from scanner.analysis.door.known_setups import known
from scanner.analysis.door.setup import Chosen
from scanner.configuration.model.tables import Route
from scanner.configuration.routing import sinks_for
from scanner.journal.stories import stories
from scanner.market.bars import Bars
from scanner.service.changes.change_list import change_list
from scanner.store import Store
from tests.effort import EFFORT
from tests.laws import bars_of, engine, many_found
from tests.outside.random_tapes import tape
from tests.service.one_desk import ACCOUNT, KEY, START, desk, take, watched

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from scanner.events import Event

PAUSE = known()["doji_pause"]
OFF = many_found()
ON = replace(OFF, setups=(Chosen(PAUSE, PAUSE.numbers(), forming=True),))
BARS = bars_of(tape(6), START)
ROUTES = [
    Route(sinks=("screen", "mail")),
    Route(sinks=("phone",), kinds=("setup.forming", "setup.entered", "setup.closed", "setup.spoiled", "setup.lapsed")),
]


def routed(event: Event) -> tuple[str, ...]:
    return sinks_for(event, {}, ROUTES, ())


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "kept.db", lambda: int(BARS.close_time[-1])) as opened:
        yield opened


def expected() -> list[Event]:
    return engine(rulebook=ON).push(BARS)


def became() -> tuple[Event, Event]:
    """Give the announcement of a setup, and that setup."""
    ahead = {event.data["becomes"]: event for event in expected() if event.facts.ahead}
    return next((ahead[event.id], event) for event in expected() if event.id in ahead)


def place_of(event: Event) -> int:
    return int(np.searchsorted(BARS.close_time, event.time))


def sent(store: Store, event: Event) -> set[str]:
    return {each.sink for each in store.outbox.list() if each.event.id == event.id}


def test_a_setup_goes_where_setups_go_and_its_story_where_that_was_sent(store: Store) -> None:
    """The phone wants announcements and later events, but not the setups themselves."""
    ahead, setup = became()
    at, first = desk(store, route=routed, rulebook=ON), place_of(ahead)
    take(at, BARS[:first])
    assert [event.id for event in take(at, BARS[first : first + 1]).events] == [ahead.id]
    assert sent(store, ahead) == {"phone"}
    assert setup.id in [event.id for event in take(at, BARS[first + 1 : first + 2]).events]
    assert sent(store, setup) == {"screen", "mail"}
    take(at, BARS[first + 2 :])
    story = store.events.story(setup.id)
    assert story[0].event.id == setup.id
    assert len(story) > 1
    assert [each.id for each in stories([*store.events.find()])][:1] == [
        next(event.thread for event in expected() if event.facts.begins)
    ]
    assert all(each.events[0].event.facts.begins for each in stories([*store.events.find()]))


def test_no_later_event_goes_to_a_sink_that_got_only_the_announcement(store: Store) -> None:
    ahead, setup = became()
    at = desk(store, route=lambda event: ("phone",) if not event.facts.begins else (), rulebook=ON)
    for index in range(place_of(ahead), len(BARS)):
        take(at, BARS[:index] if index == place_of(ahead) else BARS[index - 1 : index])
    follows = [each.event for each in store.events.story(setup.id) if each.event.facts.follows]
    assert follows
    assert not any(sent(store, event) for event in follows)


def test_what_comes_too_late_is_kept_and_neither_sent_nor_listed(store: Store) -> None:
    at = desk(store, route=routed, rulebook=ON, stale_after=3)
    taken = take(at, BARS)  # all at once, as after an outage
    told = [each.event for each in store.events.find(kinds=["setup.forming"])]
    assert [event.to_json() for event in told] == [event.to_json() for event in expected() if event.facts.ahead]
    last = BARS.close_time[-1]
    assert {event.id for event in told if event.time < last} <= {event.id for event in taken.stale}
    assert not [each for each in store.outbox.list() if each.event.facts.ahead and each.event.time < last]
    assert not any(event.facts.ahead for event in taken.missed)


def restated(index: int, bars: Bars) -> Bars:
    """Give the bars, one of them with another volume."""
    columns = [column.copy() for column in bars.columns()]
    columns[6][index] = 12_345
    return Bars(*columns)


def test_it_is_never_published_twice_and_never_withdrawn(store: Store) -> None:
    """If the bar changes and is no longer a doji, the announcement stays: it was about one bar only."""
    ahead, _ = became()
    at, doji = desk(store, route=routed, rulebook=ON), place_of(ahead)
    take(at, BARS[: doji + 1])
    assert take(at, restated(doji, BARS)[doji - 3 : doji + 1]).events == []
    columns = [column.copy() for column in BARS.columns()]
    columns[5][doji] = columns[3][doji]  # a close at the high
    assert take(at, Bars(*columns)[doji - 3 : doji + 1]).events == []
    kept = [each.event.id for each in store.events.find(kinds=["setup.forming"])]
    assert len(set(kept)) == len(kept)
    assert ahead.id in kept


def test_it_is_published_when_one_answer_restates_a_bar_and_brings_the_next(store: Store) -> None:
    ahead, setup = became()
    at, doji = desk(store, route=routed, rulebook=ON), place_of(ahead)
    take(at, BARS[:doji])
    (event,) = take(at, restated(doji - 1, BARS)[doji - 3 : doji + 1]).events
    assert (event.id, sent(store, event)) == (ahead.id, {"phone"})
    assert setup.id in [each.id for each in take(at, BARS[doji + 1 : doji + 2]).events]


@pytest.mark.parametrize("seed", range(2 * EFFORT))
def test_all_other_events_are_as_if_it_were_off_whatever_is_restated(seed: int, tmp_path: Path) -> None:
    said: list[list[str]] = []
    for rulebook in (OFF, ON):
        rng, columns = np.random.default_rng(seed), [column.copy() for column in BARS.columns()]
        with Store.open(tmp_path / f"{rulebook is ON}.db", lambda: int(BARS.close_time[-1])) as kept:
            at, end = desk(kept, route=routed, rulebook=rulebook), 0
            while end < len(BARS):
                begin, end = max(end - 2, 0), min(end + int(rng.integers(1, 30)), len(BARS))
                if rng.random() < 0.3 and begin:
                    columns[5][begin] = rng.choice([columns[3][begin], columns[4][begin], columns[2][begin]])
                take(at, Bars(*columns)[begin:end])
            told = [each.event for each in kept.events.find()]
        ahead = [event.id for event in told if event.facts.ahead]
        assert len(set(ahead)) == len(ahead)
        assert bool(ahead) == (rulebook is ON)
        said.append([event.to_json() for event in told if not event.facts.ahead])
    assert said[0] == said[1]


def test_switched_on_later_it_announces_nothing_on_earlier_bars(store: Store) -> None:
    ahead, _ = became()
    at, doji = desk(store, route=routed, rulebook=OFF), place_of(ahead)
    take(at, BARS[:doji])
    assert change_list(at, [watched(rulebook=ON)], ACCOUNT) == ["GANNET"]
    assert store.events.find(kinds=["setup.forming"]) == []
    assert [event.id for event in take(at, BARS[doji : doji + 1]).events] == [ahead.id]
    change_list(at, [watched(rulebook=OFF)], ACCOUNT)
    take(at, BARS[doji + 1 :])
    begun = [each.event.id for each in store.events.find(series=KEY) if each.event.facts.begins]
    assert begun == [event.id for event in expected() if event.facts.begins]
