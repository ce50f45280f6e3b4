"""Every setup on several timeframes at once: the desk publishes what a replay does, each setup as its own story."""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import replace
from datetime import date
from decimal import Decimal
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np
import pytest

from scanner.analysis.rules import Rules
from scanner.clocks import HOUR
from scanner.configuration.model.tables import Route
from scanner.configuration.routing import sinks_for
from scanner.market.costs import Cost, Costs
from scanner.market.sessions.dates import Dated
from scanner.service.desk import Desk
from scanner.store import Store
from scanner.trade.surroundings import Surroundings
from tests.laws import all_setups
from tests.service.one_desk import ACCOUNT, BARS, LATER, desk, take, watched

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path

    from scanner.configuration.model.settings import Watched
    from scanner.events import Event

ALL = all_setups(Rules(place_quality="plain"))
TIMEFRAMES = ("15m", "30m", "1h")


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "kept.db", lambda: LATER) as opened:
        yield opened


def replay_of(each: Watched) -> list[Event]:
    """Give all events of the tape, as they come."""
    return list(each.inputs(ACCOUNT).pipeline().events(BARS))


def by_timeframe(events: list[Event]) -> Mapping[str, list[str]]:
    """Sort events by timeframe; each timeframe publishes its own in order of time."""
    said = defaultdict(list)
    for event in events:
        said[event.data["timeframe"]].append(event.to_json())
    return said


@pytest.mark.parametrize(("portion", "history"), [(1, len(BARS) // 2), (40, 1)])
def test_several_timeframes_publish_live_what_they_do_in_a_replay(store: Store, portion: int, history: int) -> None:
    """The bars come in portions of limited size, after a history that comes at once."""
    rng, at, end = np.random.default_rng(portion), desk(store, *TIMEFRAMES, rulebook=ALL), history
    said: list[Event] = take(at, BARS[:history]).events
    while end < len(BARS):
        begin, end = end, min(end + int(rng.integers(1, portion + 1)), len(BARS))
        said += take(at, BARS[max(begin - 2, 0) : end]).events
        if rng.random() < 1 / 40:
            at = desk(store, *TIMEFRAMES, rulebook=ALL)  # as after a restart
    expected = by_timeframe(replay_of(watched(*TIMEFRAMES, rulebook=ALL)))
    assert by_timeframe(said) == expected
    assert {"15m", "30m"} <= set(expected)
    begun = [event for event in said if event.facts.begins]
    judged = [event for event in begun if event.data["surroundings"]["coarser"]["measured"] is not None]
    assert {event.data["timeframe"] for event in judged} == {"15m", "30m"}
    assert {event.data["timeframe"] for event in said if event.facts.ends} >= {"15m", "30m"}


def test_two_setups_on_one_bar_are_two_stories_that_name_each_other(store: Store) -> None:
    at, bars = desk(store, rulebook=ALL), defaultdict(list)
    said = take(at, BARS).events
    for event in said:
        if event.facts.begins:
            bars[event.time].append(event)
    several = [events for events in bars.values() if len(events) > 1]
    assert several
    for events in several:
        assert len({event.id for event in events}) == len({event.thread for event in events}) == len(events)
        for one, other in combinations(events, 2):
            assert f"{other.data['setup']} {other.data['direction']}" in one.data["alongside"]
            assert f"{one.data['setup']} {one.data['direction']}" in other.data["alongside"]
        assert all(len(event.data["alongside"]) == len(events) - 1 for event in events)
    assert all(not events[0].data["alongside"] for events in bars.values() if len(events) == 1)
    setups = {event.id: event.data for events in bars.values() for event in events}
    for event in said:
        own = setups[event.thread]
        assert (event.data["setup"], event.data["direction"]) == (own["setup"], own["direction"])
    ended = Counter(event.thread for event in said if event.facts.ends)
    assert all(ended[event.id] == 1 for events in several for event in events)


def test_a_setup_set_aside_is_stored_and_sent_only_by_a_route_that_names_it(store: Store) -> None:
    routes = [Route(sinks=("phone",)), Route(sinks=("journal",), kinds=("setup.set_aside",))]
    strict = replace(ALL, surroundings=Surroundings(require=("trend",)))
    at = desk(store, rulebook=strict, route=lambda event: sinks_for(event, {}, routes, ()))
    said = take(at, BARS).events
    began = {event.id: event.kind for event in said if event.facts.begins}
    followed = {began[event.thread] for event in said if event.facts.follows}
    assert set(began.values()) == followed == {"setup.qualified", "setup.set_aside"}
    assert [kept.event.to_json() for kept in store.events.find()] == [event.to_json() for event in said]
    sent = {sink: {each.event.id for each in store.outbox.list(sink=sink)} for sink in ("phone", "journal")}
    assert sent["journal"] == {event.id for event in said if event.kind == "setup.set_aside"}
    assert sent["phone"] == {event.id for event in said if began[event.thread] == "setup.qualified"}


def test_costs_and_dates_of_the_user_are_judged_and_set_a_setup_aside(store: Store) -> None:
    plain = watched(rulebook=ALL)
    first = next(event for event in replay_of(plain) if event.kind == "setup.qualified")
    wanted = Surroundings(require=("cost", "dates"), date_hours=2)
    meeting = Dated(first.time + HOUR, first.time + HOUR, "all", "invented meeting", date(2024, 1, 2))
    each = replace(
        plain,
        rulebook=replace(ALL, surroundings=wanted),
        instrument=replace(plain.instrument, costs=Costs(spread=Cost(Decimal("0.1")))),
        dates=(meeting,),
    )
    at = Desk([each], ACCOUNT, store, route=lambda _: (), stale_after=10**9, record=False)
    at.load()
    said = take(at, BARS).events
    assert [event.to_json() for event in said] == [event.to_json() for event in replay_of(each)]
    (found,) = (event for event in said if event.id == first.id)
    assert found.kind == "setup.set_aside"
    assert "dates fails: " in found.data["set_aside"]
    begun = [event for event in said if event.facts.begins]
    costs = [event.data["surroundings"]["cost"] for event in begun]
    risks = [Decimal(event.data["entries"]["break"]["risk"] or 0) for event in begun]
    assert [cost["measured"] for cost in costs] == [
        float(f"{float(Decimal('0.1') / risk):.8g}") if risk else None for risk in risks
    ]
    assert {cost["verdict"] for cost in costs} == {True, False}
