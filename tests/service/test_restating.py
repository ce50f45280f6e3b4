"""Restated bars: the series is run again, and the events are those of a replay."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from scanner.analysis.rules import Rules
from scanner.configuration.model.tables import Route
from scanner.configuration.routing import sinks_for
from scanner.market.bars import Bars
from scanner.service.changes.change_list import revive
from scanner.service.desk import Desk
from scanner.service.intake.late_ends import LATE_END
from scanner.store import Store
from scanner.store.upkeep.maintenance import compact
from scanner.trade.following import Follow
from scanner.trade.surroundings import Surroundings
from tests.effort import EFFORT
from tests.laws import QUARTER_HOUR, engine, many_found
from tests.service.one_desk import ACCOUNT, BARS, KEY, LATER, START, desk, expected, take, watched
from tests.service.story_grammar import faults

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from scanner.events import Event, Kind


HALF_HOUR = 2 * QUARTER_HOUR
EVERY_SETUP: tuple[Kind, ...] = ("setup.qualified", "setup.set_aside", "setup.withdrawn")


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "kept.db", lambda: LATER) as opened:
        yield opened


def restated(which: int) -> Bars:
    """Give the tape with the bar before a setup's last one made quiet: the setup no longer holds."""
    columns = [column.copy() for column in BARS.columns()]
    _, _, open_, high, low, close, _ = columns
    high[which] = max(open_[which], close[which])
    low[which] = min(open_[which], close[which])
    close[which] = open_[which]
    return Bars(*columns)


def test_a_restated_bar_withdraws_what_no_longer_holds_and_publishes_nothing_twice(store: Store) -> None:
    setups = [event for event in expected() if event.kind == "setup.qualified"]
    index = int(np.searchsorted(BARS.close_time, setups[-1].time))
    at = desk(store)
    take(at, BARS[: index + 1])
    changed = restated(index)
    taken = take(at, changed[index - 3 : index + 1])
    withdrawn = [event for event in taken.events if event.kind == "setup.withdrawn"]
    assert [(event.data["withdraws"], event.data["otherwise"]) for event in withdrawn] == [(setups[-1].id, False)]
    assert [event.thread for event in withdrawn] == [setups[-1].id]
    assert {event.kind for event in taken.events} == {"setup.withdrawn"}
    (stored,) = store.bars.load([KEY])
    assert stored.bars.close[index] == changed.close[index]
    # Sent again, the correction is known; later bars are judged by it.
    assert take(at, changed[index - 3 : index + 1]).events == []
    take(at, changed[index + 1 :])
    whole = {event.id for event in engine(rulebook=many_found()).push(changed) if event.facts.begins}
    assert {kept.event.id for kept in store.events.find() if kept.event.kind == "setup.qualified"} == whole | {
        setups[-1].id
    }


def test_nothing_is_withdrawn_if_the_setup_still_holds(store: Store) -> None:
    setups = [event for event in expected() if event.kind == "setup.qualified"]
    index = int(np.searchsorted(BARS.close_time, setups[-1].time))
    at = desk(store)
    take(at, BARS[: index + 1])
    columns = [column.copy() for column in BARS.columns()]
    columns[6][index] = 12_345  # only the volume of the last bar
    taken = take(at, Bars(*columns)[index - 3 : index + 1])
    assert (taken.events, taken.restated) == ([], {"GANNET": setups[-1].time})
    assert setups[-1].id in {kept.event.id for kept in store.events.find()}


def with_one_volume(which: int) -> Bars:
    """Give the tape, which has no volume, with a volume at a single bar: as if hardly any bar had been traded."""
    columns = [column.copy() for column in BARS.columns()]
    columns[6][which] = 12_345
    return Bars(*columns)


def particular(store: Store) -> Desk:
    """Make a desk that sets setups aside if hardly any bar was traded, and sends those to one sink only."""
    routes = [Route(sinks=("screen",)), Route(sinks=("all",), kinds=EVERY_SETUP)]
    book = replace(many_found(), surroundings=Surroundings(require=("liquid",)))
    each = replace(watched(), rulebook=book)
    at = Desk(
        [each], ACCOUNT, store, route=lambda event: sinks_for(event, {}, routes, ()), stale_after=10**9, record=True
    )
    at.load()
    return at


def test_a_restated_bar_sets_a_setup_aside_and_takes_it_back(store: Store) -> None:
    setup, index = setup_at(-1)
    thin, at = with_one_volume(index), particular(store)
    take(at, BARS[: index + 1])
    withdrawn, aside = take(at, thin[index - 3 : index + 1]).events
    assert (withdrawn.kind, aside.kind) == ("setup.withdrawn", "setup.set_aside")
    assert withdrawn.data["reason"].endswith(f"is set aside: {aside.data['set_aside']}")
    assert take(at, thin[index - 3 : index + 1]).events == []
    at = particular(store)  # as after a restart
    taken_back, anew = take(at, BARS[index - 3 : index + 1]).events
    assert (taken_back.data["withdraws"], taken_back.data["set_aside"]) == (aside.id, True)
    assert taken_back.data["reason"].endswith(" is no longer set aside")
    assert (anew.kind, anew.data["levels"]) == (setup.kind, setup.data["levels"])
    story = [setup, withdrawn, aside, taken_back, anew]
    assert {event.thread for event in story} == {setup.id}
    assert len({event.id for event in story}) == len(story)
    assert [each.event.id for each in store.events.find(series=KEY, since=setup.time)] == [each.id for each in story]
    sent_to = {sink: [each.event.id for each in store.outbox.list(sink=sink)] for sink in ("screen", "all")}
    assert sent_to["all"][-5:] == [event.id for event in story]
    assert sent_to["screen"][-3:] == [setup.id, withdrawn.id, anew.id], "not a word of what was set aside"


def test_what_was_set_aside_is_withdrawn_only_where_it_was_sent(store: Store) -> None:
    _, index = setup_at(-1)
    thin, dead, at = with_one_volume(index), restated(index), particular(store)
    take(at, BARS[:index])
    (aside,) = take(at, thin[index - 1 : index + 1]).events
    (gone,) = take(at, dead[index - 1 : index + 1]).events
    assert (aside.kind, gone.kind, gone.data["set_aside"]) == ("setup.set_aside", "setup.withdrawn", True)
    assert [each.event.id for each in store.outbox.list(sink="all")][-2:] == [aside.id, gone.id]
    assert not {aside.id, gone.id} & {each.event.id for each in store.outbox.list(sink="screen")}


def test_where_only_what_was_taken_is_followed_a_withdrawal_is_sent_all_the_same(store: Store) -> None:
    """Whoever got the setup may have an order in the market, although they never said so."""
    setup, index = setup_at(-1)
    at = desk(store, rulebook=replace(many_found(), follow=Follow(which="taken")))
    take(at, BARS[: index + 1])
    (gone,) = take(at, restated(index)[index - 3 : index + 1]).events
    assert gone.kind == "setup.withdrawn"
    assert [each.event.id for each in store.outbox.list()][-2:] == [setup.id, gone.id]


def setup_at(number: int) -> tuple[Event, int]:
    """Give a setup of the tape, and the place of its last bar."""
    setup = [event for event in expected() if event.kind == "setup.qualified"][number]
    return setup, int(np.searchsorted(BARS.close_time, setup.time))


def wider(which: int) -> Bars:
    """Give the tape with a slightly higher high: a short setup with this doji has another stop."""
    columns = [column.copy() for column in BARS.columns()]
    columns[3][which] += 0.02
    return Bars(*columns)


def test_a_setup_with_new_levels_is_withdrawn_and_published_again(store: Store) -> None:
    setup, index = setup_at(-2)
    at, changed = desk(store), wider(index - 1)
    take(at, BARS[: index + 1])
    withdrawn, anew = take(at, changed[index - 3 : index + 1]).events
    again = engine(rulebook=many_found()).push(changed[: index + 1])
    (replayed,) = (event for event in again if event.time == setup.time)
    assert (withdrawn.kind, withdrawn.data["withdraws"]) == ("setup.withdrawn", setup.id)
    assert withdrawn.data["reason"].endswith(" has other levels")
    assert withdrawn.data["otherwise"] is True
    assert anew.data == replayed.data
    assert anew.data["levels"] != setup.data["levels"]
    assert anew.id != setup.id
    assert {event.thread for event in (withdrawn, anew)} == {setup.id}
    assert take(at, changed[index - 3 : index + 1]).events == []


def test_a_setup_that_holds_again_after_a_withdrawal_is_published_again(store: Store) -> None:
    setup, index = setup_at(-1)
    at, dead = desk(store), restated(index)
    take(at, BARS[: index + 1])
    ids = [setup.id]
    for _ in range(3):
        (withdrawn,) = take(at, dead[index - 1 : index + 1]).events
        assert withdrawn.data["withdraws"] == ids[-1]
        at = desk(store)  # everything published is known after a restart
        (anew,) = take(at, BARS[index - 1 : index + 1]).events
        assert (anew.kind, anew.data, anew.thread) == (setup.kind, setup.data, setup.id)
        ids.append(anew.id)
    assert len(set(ids)) == 4


def test_the_replacement_of_a_withdrawn_setup_is_sent_however_late(store: Store) -> None:
    _, index = setup_at(-2)
    at, changed = desk(store, stale_after=3), wider(index - 1)
    take(at, BARS[: index + 1])
    taken = take(at, changed[index - 3 : index + 21])
    assert [event.kind for event in taken.events] == ["setup.withdrawn", "setup.qualified", "setup.entered"]
    assert taken.stale == []
    assert [each.event.id for each in store.outbox.list()][-3:] == [event.id for event in taken.events]


def traded(which: int, volume: float) -> Bars:
    """Give the tape with volumes, one of them different: that changes only the evidence of a setup."""
    columns = [column.copy() for column in BARS.columns()]
    columns[6][:] = 100
    columns[6][which] = volume
    return Bars(*columns)


def sent(store: Store, sink: str, story: str) -> list[tuple[str, int]]:
    """Give the events that go to a sink about a setup: kinds, with the points of evidence."""
    found = [each.event for each in store.outbox.list(sink=sink) if each.event.thread == story]
    return [(event.kind, event.data["evidence_points"]) for event in found]


FAR_LATER = 100 * QUARTER_HOUR


@pytest.mark.parametrize(
    ("volumes", "later", "to_all", "to_strong"),
    [
        ((1, 10**9), 0, ["+2", "-2", "+3"], ["+3"]),
        ((10**9, 1), 0, ["+3", "-3", "+2"], ["+3", "-3"]),
        ((1, 10**9), FAR_LATER, ["+2", "-2", "+3"], []),
        ((10**9, 1), FAR_LATER, ["+3", "-3", "+2"], ["+3", "-3"]),
    ],
    ids=["more", "less", "more, too late", "less, too late"],
)
def test_if_only_the_evidence_changes_each_route_gets_what_reaches_it(
    store: Store, volumes: tuple[float, float], later: int, to_all: list[str], to_strong: list[str]
) -> None:
    setup, index = setup_at(-1)
    before, after = (traded(index, volume) for volume in volumes)
    routes = [Route(sinks=("all",)), Route(sinks=("strong",), least_evidence=3)]
    at = desk(store, stale_after=3, route=lambda event: sinks_for(event, {}, routes, ()))
    take(at, before[:index])
    take(at, before[index - 1 : index + 1])
    taken = take(at, after[index - 1 : index + 1], setup.time + later)
    assert [event.kind for event in taken.events] == ["setup.withdrawn", "setup.qualified"]
    assert " has evidence " in taken.events[0].data["reason"]
    marks = {"setup.qualified": "+", "setup.withdrawn": "-"}
    for sink, expected_there in (("all", to_all), ("strong", to_strong)):
        found = [f"{marks[kind]}{points}" for kind, points in sent(store, sink, setup.id)]
        assert found == expected_there, sink
    assert take(at, after[index - 1 : index + 1], setup.time + later).events == []


def test_if_the_evidence_changes_and_no_route_depends_on_it_nothing_is_published(store: Store) -> None:
    setup, index = setup_at(-1)
    at = desk(store)
    take(at, traded(index, 1)[: index + 1])
    assert take(at, traded(index, 10**9)[index - 1 : index + 1]).events == []
    assert sent(store, "screen", setup.id) == [("setup.qualified", 2)]


def test_nothing_is_sent_of_a_setup_that_was_too_old_to_be_sent(store: Store) -> None:
    """Neither its withdrawal, nor that it holds again or differently."""
    setup, index = setup_at(-2)
    at, now = desk(store, stale_after=3), setup.time + FAR_LATER
    assert take(at, BARS[: index + 1], now).stale[-1].id == setup.id
    kinds = []
    for changed in (wider(index - 1), restated(index), BARS):
        taken = take(at, changed[index - 1 : index + 1], now)
        kinds += [event.kind for event in sorted([*taken.events, *taken.stale], key=lambda each: each.facts.begins)]
        assert taken.missed == []
    assert kinds == ["setup.withdrawn", "setup.qualified", "setup.withdrawn", "setup.qualified"]
    assert store.outbox.list() == []


def test_a_hold_ends_if_the_price_jump_was_a_mistake_of_the_feed(store: Store) -> None:
    at, columns = desk(store), [column.copy() for column in BARS[:400].columns()]
    for price in columns[2:6]:
        price[-1] = round(price[-1] / 2, 2)
    (held,) = (event for event in take(at, Bars(*columns)).events if event.kind.startswith("series."))
    (resumed,) = take(at, BARS[398:400]).events
    assert (held.kind, resumed.kind, resumed.time) == ("series.held", "series.resumed", held.time)
    assert resumed.data["reason"].endswith("there is no price jump as after a split")
    assert take(at, BARS[398:400]).events == []


def test_a_bar_and_its_correction_that_come_together_count_as_corrected(store: Store) -> None:
    """As from a file to which the bar was appended once more."""
    setup, index = setup_at(-1)
    at, dead = desk(store), restated(index)
    take(at, BARS[: index + 1])
    both = Bars.joined([BARS[index : index + 1], dead[index : index + 1], dead[index + 1 : index + 2]])
    (withdrawn,) = take(at, both).events
    assert withdrawn.data["withdraws"] == setup.id
    (stored,) = store.bars.load([KEY])
    assert stored.bars.close[index] == dead.close[index]


def restate_at_random(store: Store, seed: int) -> tuple[Bars, list[Event]]:
    """Take the tape in, its setups' bars restated again and again; give its final form, and all events."""
    rng = np.random.default_rng(seed)
    at, columns, end = desk(store), [column.copy() for column in BARS.columns()], 380
    take(at, BARS[:end])
    places = np.searchsorted(BARS.close_time, [event.time for event in expected()]).tolist()
    while end < len(BARS):
        end = min(len(BARS), end + int(rng.integers(1, 6)))
        which = next((place for place in places if end - 12 <= place < end), end - 1) - int(rng.integers(0, 2))
        if rng.random() < 0.7:  # make it a quiet bar, or a wider one, or as it was
            source = (restated(which), wider(which), BARS)[int(rng.integers(0, 3))]
            for column, new in zip(columns, source.columns(), strict=True):
                column[which] = new[which]
        take(at, Bars(*(column[end - 15 : end] for column in columns)))
        if rng.random() < 0.2:
            at = desk(store)
    return Bars(*columns), [kept.event for kept in store.events.find(series=KEY)]


def stands(said: list[Event]) -> dict[str, list[tuple[object, ...]]]:
    """Give what holds of each story in the end: what one acts on in its setup and in all later events."""
    stories: dict[str, list[tuple[object, ...]]] = {}
    for event in said:
        data = event.data
        if event.kind == "setup.withdrawn":
            del stories[event.thread]
        elif event.facts.begins:
            stories[event.thread] = [(event.kind, event.time, data["levels"])]
        elif event.facts.follows:
            result = data["r"] if event.facts.ends else None  # what a close stood at is not said again
            stories[event.thread].append((event.kind, event.time, data["entry"], data["stop"], data["exit"], result))
    return stories


def test_whatever_is_restated_the_final_state_is_that_of_a_replay(tmp_path: Path) -> None:
    withdrawn: Counter[str] = Counter()
    broken_off = 0
    for seed in range(4, 4 + 6 * EFFORT):
        with Store.open(tmp_path / f"{seed}.db", lambda: LATER) as store:
            bars, said = restate_at_random(store, seed)
        assert faults(said) == [], f"seed {seed}"
        stories, replayed = stands(said), stands(engine(rulebook=many_found()).push(bars))
        broken = {story for story, told in stories.items() if told[-1][0] == "setup.broken_off"}
        assert {story: told for story, told in stories.items() if story not in broken} == {
            story: told for story, told in replayed.items() if story not in broken
        }, f"seed {seed}"
        broken_off += len(broken)
        withdrawn.update(
            " ".join(event.data["reason"].split()[-3:]) for event in said if event.kind == "setup.withdrawn"
        )
    assert withdrawn["no longer holds"] > 5
    assert withdrawn["has other levels"] > 0
    assert broken_off > 0


def halves(bars: Bars) -> Bars:
    """Split each bar in two: the first is as before, and in the second nothing moves."""
    first, high, low, last = (column.repeat(2) for column in (bars.open, bars.high, bars.low, bars.close))
    first[1::2], high[1::2], low[1::2] = last[1::2], last[1::2], last[1::2]
    opens = START // HALF_HOUR * HALF_HOUR + QUARTER_HOUR * np.arange(2 * len(bars), dtype=np.int64)
    return Bars(opens, opens + QUARTER_HOUR, first, high, low, last, bars.volume.repeat(2) / 2)


def test_a_coarser_bar_whose_end_never_came_is_as_complete_as_before(store: Store) -> None:
    """The setup's last bar lacks its second half, without trades; then only a volume is restated."""
    bars, (setup, index) = halves(BARS), setup_at(-1)
    known, at = bars[: 2 * index + 1], desk(store, "30m")
    take(at, known)
    later = int(known.close_time[-1]) + LATE_END + QUARTER_HOUR
    (said,) = take(at, known[-1:], later).events
    assert (said.kind, said.data["levels"]) == ("setup.qualified", setup.data["levels"])
    columns = [column.copy() for column in known.columns()]
    columns[6][-1] = 12_345
    taken = take(at, Bars(*columns)[-2:], later + QUARTER_HOUR)
    assert (set(taken.restated), taken.events) == ({"GANNET"}, [])


def test_the_base_bars_left_by_retention_are_enough_for_a_coarser_timeframe(tmp_path: Path) -> None:
    """A coarser timeframe is as warm after a restated bar as before, and publishes what it would have."""
    bars, (setup, index) = halves(BARS), setup_at(-2)
    cut, said = 2 * (index + 1), {}
    for keep in (300, 10**6):
        with Store.open(tmp_path / f"{keep}.db", lambda: LATER) as store:
            at = desk(store, "30m")
            before = [take(at, bars[begin : min(begin + 100, cut)]).events for begin in range(0, cut, 100)]
            assert before[-1][-1].data["levels"] == setup.data["levels"]
            compact(store, keep_bars=keep, keep_days=10**4)
            assert len(at.stored(["GANNET"])["GANNET"]["15m"]) < 2 * 250 or keep > 300
            at = desk(store, "30m")
            columns = [column.copy() for column in bars.columns()]
            columns[6][cut - 1] = 12_345
            retold = take(at, Bars(*columns)[cut - 9 : cut])
            assert set(retold.restated) == {"GANNET"}
            events = retold.events
            (lane,) = at.pipelines["GANNET"].lanes
            assert lane.engine.series.warm
            events += take(at, bars[cut:]).events
            said[keep] = [(event.id, event.data.get("levels"), event.data.get("r")) for event in events]
    assert said[300] == said[10**6] != []


def test_other_rules_leave_a_coarser_timeframe_as_warm_as_it_was(tmp_path: Path) -> None:
    bars = halves(BARS)
    with Store.open(tmp_path / "kept.db", lambda: LATER) as store:
        take(desk(store, "30m"), bars)
        compact(store, keep_bars=300, keep_days=10**4)
        otherwise = replace(many_found(), rules=Rules(place_quality="plain", stop_margin=0.1))
        others = [replace(watched("30m"), rulebook=otherwise)]
        for anew in (["GANNET"], []):
            at = Desk(others, ACCOUNT, store, route=lambda _: (), stale_after=0, record=False)
            assert at.load() == anew
            revive(at, anew)
            (lane,) = at.pipelines["GANNET"].lanes
            assert lane.engine.series.warm
