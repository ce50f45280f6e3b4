"""Open stories when the rules or the list change: they go on as published, or they end."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from scanner.analysis.rules import Rules
from scanner.configuration.model.tables import Route
from scanner.configuration.routing import sinks_for
from scanner.journal.open_stories import OpenStories
from scanner.market.bars import Bars
from scanner.market.price_steps import PriceSteps
from scanner.market.sessions.timeframes import Timeframe
from scanner.service.changes.change_list import revive
from scanner.service.changes.restating import same
from scanner.service.desk import Desk
from scanner.store import SeriesKey, Store
from scanner.trade.following import Follow
from scanner.trade.size import Account
from tests.laws import all_setups, bars_of, engine, many_found
from tests.outside.random_tapes import tape
from tests.service.one_desk import ACCOUNT, BARS, KEY, LATER, START, desk, take, watched
from tests.service.story_grammar import faults
from tests.service.test_restating import halves

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from scanner.events import Event
    from scanner.trade.rulebook import Rulebook

SENDS_NOTHING: dict[str, Any] = {"route": lambda _: (), "stale_after": 10**9, "record": False}


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "kept.db", lambda: LATER) as opened:
        yield opened


def under_way_at(kind: str) -> int:
    """Give the place of the first bar at which an open story has this kind of event as its last one."""
    watcher = engine(rulebook=many_found())
    for index in range(len(BARS)):
        said = watcher.push(BARS[index : index + 1])
        threads = {each.thread for each in watcher.under_way()}
        if any(event.kind == kind and event.thread in threads for event in said):
            return index
    raise ValueError(kind)


@pytest.mark.parametrize(
    ("last", "end"), [("setup.qualified", "setup.withdrawn"), ("setup.entered", "setup.broken_off")]
)
def test_a_story_that_other_rules_do_not_know_is_given_up(store: Store, last: str, end: str) -> None:
    index = under_way_at(last)
    take(desk(store), BARS[: index + 1])
    others = [replace(watched(), rulebook=replace(many_found(), setups=()))]
    before = store.events.find()
    for said in ([end], []):
        at = Desk(others, ACCOUNT, store, route=lambda _: ("screen",), stale_after=10**9, record=False)
        revive(at, at.load())
        new = [kept.event for kept in store.events.find(after=before[-1].number)]
        assert [event.kind for event in new] == said
        before = store.events.find()
        for event in new:
            assert "it is no longer followed" in event.data["reason"]
            assert store.events.story(event.thread)[-1].event == event
            assert [each.event.id for each in store.outbox.list()][-1] == event.id


@pytest.mark.parametrize("last", ["setup.qualified", "setup.entered"])
def test_a_story_goes_on_by_other_rules_that_change_only_the_words_of_its_plan(store: Store, last: str) -> None:
    index = under_way_at(last)
    take(desk(store), BARS[: index + 1])
    before = store.events.find()
    other_words = replace(many_found(), rules=Rules(place_quality="plain", slow_average=195))
    at = Desk([replace(watched(), rulebook=other_words)], ACCOUNT, store, **SENDS_NOTHING)
    revive(at, at.load())
    assert store.events.find() == before
    story = [kept.event for kept in before if kept.event.thread == before[-1].event.thread]
    (lane,) = at.pipelines["GANNET"].lanes
    assert story[0].thread in {each.thread for each in lane.engine.under_way()}
    (setup,) = (event for event in engine(rulebook=other_words).push(BARS) if event.id == story[0].id)
    assert setup.data["exit_plan"]["reason"] != story[0].data["exit_plan"]["reason"]


@pytest.mark.parametrize(
    ("last", "end"), [("setup.qualified", "setup.withdrawn"), ("setup.entered", "setup.broken_off")]
)
def test_a_story_whose_prices_another_step_would_move_ends(store: Store, last: str, end: str) -> None:
    take(desk(store), BARS[: under_way_at(last) + 1])
    before = store.events.find()
    other = replace(watched().instrument, steps=PriceSteps.fixed(Decimal("0.25")))
    at = Desk([replace(watched(), instrument=other)], ACCOUNT, store, **SENDS_NOTHING)
    revive(at, at.load())
    assert [kept.event.kind for kept in store.events.find(after=before[-1].number)] == [end]


def test_a_story_found_again_keeps_the_size_that_was_published_for_another_account(store: Store) -> None:
    index = under_way_at("setup.entered")
    take(desk(store), BARS[: index + 1])
    published = store.events.find()[-1].event
    assert Decimal(published.data["size"]) > 10
    other_words = replace(many_found(), rules=Rules(place_quality="plain", slow_average=195))
    smaller = Account(equity=Decimal(500), currency="EUR")
    at = Desk([replace(watched(), rulebook=other_words)], smaller, store, **SENDS_NOTHING)
    revive(at, at.load())
    take(at, BARS[index + 1 :])
    closed = store.events.story(published.thread)[-1].event.data
    gain = abs(Decimal(closed["exit"]) - Decimal(published.data["entry"]))
    assert closed["size"] == published.data["size"]
    assert abs(Decimal(closed["result"])) == gain * Decimal(published.data["size"])


def longest_wait(rulebook: Rulebook) -> tuple[Event, int]:
    """Give the setup that waited longest for its entry, and the place of its last bar before that."""
    found: dict[str, Event] = {}
    waits: list[tuple[int, str]] = []
    for event in engine(rulebook=rulebook).push(BARS):
        setup = found.setdefault(event.thread, event)
        if event.kind == "setup.entered":
            waits.append((event.time - setup.time, event.thread))
    wait, thread = max(waits)
    return found[thread], int(np.searchsorted(BARS.close_time, found[thread].time + wait)) - 1


@pytest.mark.parametrize(
    ("symbol", "rulebook", "end"),
    [
        ("GANNET", replace(all_setups(), setups=()), "setup.withdrawn"),
        ("X", all_setups(), "setup.withdrawn"),
        ("GANNET", all_setups(), "setup.lapsed"),
    ],
    ids=["other setups", "the instrument is gone", "a shorter wait"],
)
def test_a_setup_that_waited_for_long_ends_too(store: Store, symbol: str, rulebook: Rulebook, end: str) -> None:
    patient = replace(all_setups(), follow=Follow(max_wait=40))
    setup, index = longest_wait(patient)
    take(desk(store, rulebook=patient), BARS[: index + 1])
    stories = OpenStories(store)
    assert setup.thread in {story.id for story in stories.look()}
    listed = replace(watched(), instrument=replace(watched().instrument, symbol=symbol))
    at = Desk([replace(listed, rulebook=rulebook)], ACCOUNT, store, **SENDS_NOTHING)
    revive(at, at.load())
    last = store.events.story(setup.thread)[-1].event
    assert last.kind == end
    assert last.kind != "setup.withdrawn" or "it is no longer followed" in last.data["reason"]
    assert setup.thread not in {story.id for story in stories.look()}


OTHERWISE = {
    "the same": (Rules(), Follow()),
    "other stops": (Rules(stop_margin=0.5), Follow()),
    "another entry": (Rules(entry_style="early"), Follow()),
    "fewer setups": (Rules(place_quality="plain", warm_up=300), Follow()),
    "out in time": (Rules(), Follow(max_bars=2)),
    "taken alone": (Rules(), Follow(which="taken")),
}


@pytest.mark.parametrize("name", OTHERWISE)
def test_stories_keep_their_order_when_the_rules_change_meanwhile(tmp_path: Path, name: str) -> None:
    """And the stories published as going on are the ones that are followed."""
    rules, follow = OTHERWISE[name]
    books = [all_setups(), replace(all_setups(rules), follow=follow), all_setups()]
    for seed in range(4):
        bars = bars_of(tape(seed), START)
        cuts = [0, len(bars) // 2, 2 * len(bars) // 3, len(bars)]
        with Store.open(tmp_path / f"{seed}.db", lambda: LATER) as store:
            for book, begin, end in zip(books, cuts[:-1], cuts[1:], strict=True):
                at = Desk([replace(watched(), rulebook=book)], ACCOUNT, store, **SENDS_NOTHING)
                revive(at, at.load())
                take(at, bars[begin:end])
            said = [kept.event for kept in store.events.find(series=KEY)]
        assert faults(said) == [], f"seed {seed}"
        stories = {event.thread: event for event in said if event.thread}
        goes_on = {thread for thread, last in stories.items() if last.facts.follows and not last.facts.ends}
        (lane,) = at.pipelines["GANNET"].lanes
        followed = {each.thread for each in lane.engine.under_way()}
        assert goes_on <= followed <= {thread for thread, last in stories.items() if not last.facts.ends}, (
            f"seed {seed}"
        )


@pytest.mark.parametrize("last", ["setup.qualified", "setup.entered"])
@pytest.mark.parametrize("listed", [[], ["1h"]], ids=["the instrument is gone", "its timeframe is gone"])
def test_the_stories_of_instruments_that_left_the_list_end(store: Store, last: str, listed: list[str]) -> None:
    """Whoever was sent the setup hears of it, although the instrument's group is not known any longer."""
    index, routes = under_way_at(last), [Route(sinks=("screen",), groups=("birds",))]
    take(desk(store, route=lambda event: sinks_for(event, {"GANNET": "birds"}, routes, ())), BARS[: index + 1])
    others = (
        [watched(*listed)] if listed else [replace(watched(), instrument=replace(watched().instrument, symbol="X"))]
    )
    before = store.events.find()
    groups = {"GANNET": "birds"} if listed else {"X": "birds"}
    for kinds in ([{"setup.qualified": "setup.withdrawn"}.get(last, "setup.broken_off")], []):
        at = Desk(
            others,
            ACCOUNT,
            store,
            route=lambda event: sinks_for(event, groups, routes, ()),
            stale_after=0,
            record=False,
        )
        revive(at, at.load())
        new = [kept.event for kept in store.events.find(after=before[-1].number)]
        assert [event.kind for event in new] == kinds
        assert [each.sink for event in new for each in store.outbox.of_event(event.id)] == ["screen"] * len(kinds)
        before = store.events.find()


@pytest.mark.parametrize("last", ["setup.qualified", "setup.entered"])
def test_a_story_given_up_does_not_go_on_when_its_instrument_returns(store: Store, last: str) -> None:
    index = under_way_at(last)
    take(desk(store), BARS[: index + 1])
    gone = replace(watched(), instrument=replace(watched().instrument, symbol="X"))
    for each in (gone, watched()):
        at = Desk([each], ACCOUNT, store, **SENDS_NOTHING)
        revive(at, at.load())
    given_up = store.events.find()[-1].event
    take(at, BARS[index + 1 :])
    said = [kept.event for kept in store.events.find(series=KEY)]
    assert faults(said) == []
    assert "it is no longer followed" in given_up.data["reason"]
    assert [event for event in said if event.thread == given_up.thread][-1] == given_up
    replayed = [event for event in engine(rulebook=many_found()).push(BARS) if event.facts.begins]
    assert [event.id for event in said if event.facts.begins] == [event.id for event in replayed]


@pytest.mark.parametrize("again", [0, 40], ids=["only new bars", "known ones too"])
@pytest.mark.parametrize("last", ["setup.qualified", "setup.entered"])
def test_stories_go_on_when_a_finer_timeframe_becomes_the_base(store: Store, last: str, again: int) -> None:
    whole, bars, key = watched("30m"), halves(BARS), SeriesKey("GANNET", "30m")
    coarse = Bars.joined([own for _, own in whole.inputs(ACCOUNT).pipeline().made(bars)])
    index = under_way_at(last)
    at = Desk([replace(whole, base=Timeframe.named("30m"))], ACCOUNT, store, **SENDS_NOTHING)
    at.load()
    take(at, coarse[: index + 1])
    at = Desk([whole], ACCOUNT, store, **SENDS_NOTHING)
    assert at.load() == ["GANNET"]
    revive(at, ["GANNET"])
    at = Desk([whole], ACCOUNT, store, **SENDS_NOTHING)
    assert at.load() == []
    take(at, bars[2 * (index + 1) - again :])
    expected = [event.id for event in whole.inputs(ACCOUNT).pipeline().events(bars)]
    assert [kept.event.id for kept in store.events.find(series=key)] == expected
    (stored,) = store.bars.load([key])
    assert same(stored.bars, coarse)


def test_a_new_timeframe_publishes_no_story_of_an_unpublished_setup(store: Store) -> None:
    index, bars = under_way_at("setup.entered"), halves(BARS)
    cut = 2 * (index + 1)
    take(desk(store), bars[:cut])
    at = Desk([watched("15m", "30m")], ACCOUNT, store, **SENDS_NOTHING)
    revive(at, at.load())
    take(at, bars[cut:])
    said = [kept.event for kept in store.events.find(series=SeriesKey("GANNET", "30m"))]
    assert faults(said) == []
    assert any(event.facts.begins for event in said)


def test_a_restated_bar_brings_back_no_unpublished_story(store: Store) -> None:
    index = under_way_at("setup.entered")
    finds_nothing = [replace(watched(), rulebook=replace(many_found(), setups=()))]
    before = Desk(finds_nothing, ACCOUNT, store, **SENDS_NOTHING)
    before.load()
    take(before, BARS[: index + 1])
    at = Desk([watched()], ACCOUNT, store, **SENDS_NOTHING)
    revive(at, at.load())
    columns = [column.copy() for column in BARS.columns()]
    columns[6][index] = 12_345
    assert set(take(at, Bars(*columns)[index - 1 : index + 1]).restated) == {"GANNET"}
    take(at, BARS[index + 1 :])
    said = [kept.event for kept in store.events.find(series=KEY)]
    assert faults(said) == []
    assert any(event.facts.begins for event in said)


def test_a_restated_bar_adds_nothing_to_a_story_ended_by_other_rules(store: Store) -> None:
    """By the current rules it would have gone on for longer."""
    short, long = replace(many_found(), follow=Follow(max_bars=2)), many_found()
    ends = {event.thread: event.time for event in engine(rulebook=long).push(BARS) if event.facts.ends}
    closed = [event for event in engine(rulebook=short).push(BARS) if event.facts.ends]
    ended = max(closed, key=lambda event: ends.get(event.thread, 0) - event.time)
    index = int(np.searchsorted(BARS.close_time, ends[ended.thread]))
    before = Desk([replace(watched(), rulebook=short)], ACCOUNT, store, **SENDS_NOTHING)
    before.load()
    take(before, BARS[:index])
    at = Desk([replace(watched(), rulebook=long)], ACCOUNT, store, **SENDS_NOTHING)
    revive(at, at.load())
    columns = [column.copy() for column in BARS.columns()]
    columns[6][index - 1] = 12_345
    assert set(take(at, Bars(*columns)[index - 1 : index + 1]).restated) == {"GANNET"}
    said = [kept.event for kept in store.events.find(series=KEY)]
    assert faults(said) == []
    assert [event for event in said if event.thread == ended.thread][-1] == ended
