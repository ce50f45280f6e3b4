"""Setups found late while the station watches: listed in one summary, none sent, none omitted."""

from __future__ import annotations

import asyncio
from collections import Counter
from contextlib import asynccontextmanager
from dataclasses import replace
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import pytest

from scanner.clocks import SECOND
from scanner.events import rfc3339
from scanner.ports import Message
from scanner.present.words.words import alert
from scanner.service.summaries import Summaries
from scanner.service.to_report import NAMED, SetupList, ToReport
from scanner.store import Store, StoreTroubleError
from tests.adapters.samples import setup_event
from tests.adapters.story_samples import story_event
from tests.service.bad_days import BARS, BEGIN, FIRST, DayTime, Tape, day, expected, of_bars, settings

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Iterator, Sequence
    from pathlib import Path

    from scanner.events import Event

STANDING = [int(BARS.close_time[number - 1]) for number in (396, 425, 506, 592)]
"""When there are setups."""


@pytest.fixture
def time() -> DayTime:
    return DayTime()


@pytest.fixture
def store(tmp_path: Path, time: DayTime) -> Iterator[Store]:
    with Store.open(tmp_path / "kept.db", time.now) as opened:
        yield opened


def summaries(store: Store) -> list[Event]:
    """Give the summaries after that of the start."""
    return [kept.event for kept in store.events.find(kinds=["station.caught_up"]) if kept.event.time > BEGIN]


def forbid(store: Store, *, writing: bool) -> None:
    with store.database.plain() as connection:
        connection.execute(f"PRAGMA query_only = {int(writing)}")


def listed(event: Event) -> list[str]:
    return [name.split()[-1] for name in event.data["setups"]]


def sent_setups(store: Store) -> list[int]:
    return [each.event.time for each in store.outbox.list() if each.event.kind == "setup.qualified"]


def written(moments: list[int]) -> list[str]:
    return [rfc3339(moment) for moment in moments]


async def test_the_summary_of_a_start_lists_what_is_too_old_and_no_alerts(
    tmp_path: Path, time: DayTime, store: Store
) -> None:
    known = settings(tmp_path, station={"name": "loft", "stale_after": 3})
    time.passed = 36 * 900.0  # a bar after the second setup
    async with day(known, store, {"tape": Tape(time)}, time):
        pass
    (summary,) = summaries(store)
    assert listed(summary) == written(STANDING[:1])
    assert summary.data["setups_found"] == 1
    assert sent_setups(store) == STANDING[1:2]


async def test_a_feed_that_was_gone_for_a_day_is_caught_up_with_in_one_summary(
    tmp_path: Path, time: DayTime, store: Store
) -> None:
    known = settings(
        tmp_path,
        station={"name": "loft", "stale_after": 3},
        instruments={"GANNET": {}, "FULMAR": {}},
    )
    tape = Tape(time, batch=1)  # so that the catch-up comes in several parts
    async with day(known, store, {"tape": tape}, time) as on:
        await on.bars(1)
        tape.plan = lambda _: []
        await on.bars(115)  # the last of them has a setup, which is still news when the feed is back
        tape.plan = lambda _: None
        await on.bars(1)
        await time.run(120)
        (summary,) = summaries(store)
        assert sorted(set(listed(summary))) == written(STANDING[:2])
        assert len(summary.data["setups"]) == 4
        assert summary.data["reason"].endswith(": 4 setups and endings")
        lead = alert(Message(summary), "UTC", None).lead
        assert lead.count(" until ") + lead.count("up to ") == 1, "when it had caught up, once"
        await on.bars(90)
        assert summaries(store) == [summary]
    assert sorted(sent_setups(store)) == [moment for moment in STANDING[2:] for _ in range(2)]
    assert summary.id in {each.event.id for each in store.outbox.list()}


async def test_all_later_events_of_a_sent_setup_are_sent_and_other_setups_are_listed(
    tmp_path: Path, time: DayTime, store: Store
) -> None:
    known = settings(tmp_path, station={"name": "loft", "stale_after": 3})
    tape = Tape(time)
    async with day(known, store, {"tape": tape}, time) as on:
        await on.bars(7)  # the first setup is found and entered
        tape.plan = lambda _: []
        await on.bars(50)
        tape.plan = lambda _: None
        await on.bars(1)
        await time.run(120)
        (summary,) = summaries(store)
        (second,) = written([int(BARS.close_time[424])])
        assert summary.data["setups"] == [f"GANNET/15m short {second}"]
        assert summary.data["setups_found"] == 1
        assert summary.data["reason"].endswith(": 1 setup or ending")
    sent = [each.event for each in store.outbox.list() if each.event.facts.about == "setup"]
    assert [event.kind for event in sent] == ["setup.qualified", "setup.entered", "setup.exit_signal", "setup.closed"]
    assert {event.thread for event in sent} == {sent[0].id}
    assert of_bars(each.event for each in store.events.find()) == expected(known, FIRST + 58)


async def test_what_is_not_listed_yet_is_listed_when_the_station_stops(
    tmp_path: Path, time: DayTime, store: Store
) -> None:
    known = settings(tmp_path, station={"name": "loft", "stale_after": 3})
    async with day(known, store, {"tape": Tape(time)}, time) as on:
        await time.run(40 * 900)
        await on.look()
        assert summaries(store) == []
    (summary,) = summaries(store)
    assert listed(summary) == written(STANDING[:2])


async def test_a_store_that_cannot_be_written_just_then_gets_the_summary_later(
    tmp_path: Path, time: DayTime, store: Store
) -> None:
    known = settings(tmp_path, station={"name": "loft", "stale_after": 3})
    async with day(known, store, {"tape": Tape(time)}, time) as on:
        await time.run(40 * 900)
        await on.look()
        forbid(store, writing=True)  # a full disk may still have room for so short an event
        await time.run(60)
        assert summaries(store) == []
        forbid(store, writing=False)
        await time.run(600)
        assert len(summaries(store)) == 1
    assert len(summaries(store)) == 1


async def test_what_was_not_listed_before_a_station_died_is_listed_at_the_next_start(
    tmp_path: Path, time: DayTime, store: Store
) -> None:
    known = settings(tmp_path, station={"name": "loft", "stale_after": 3})
    async with day(known, store, {"tape": Tape(time)}, time) as on:
        await on.bars(7)  # the first setup is sent
        await time.run(40 * 900)
        await on.look()
        forbid(store, writing=True)  # nothing can be stored any more, as after a kill
    forbid(store, writing=False)
    assert summaries(store) == []
    for _ in range(2):  # listed once, not at every start
        async with day(known, store, {"tape": Tape(time)}, time) as on:
            await time.run(60)
        (summary,) = summaries(store)
        assert listed(summary) == written(STANDING[1:2])
        assert summary.data["setups_found"] == 1


def test_a_long_list_names_the_newest_and_counts_the_others() -> None:
    setups, closes = SetupList(), [FIRST + number * 900 * SECOND for number in range(NAMED + 7)]
    for close in (*closes[3:], *closes[:3]):  # one instrument at a time: the last to come is not the newest
        setups.add(replace(setup_event("BUOY"), time=close))
    assert setups.count == NAMED + 7
    assert [event.time for event in setups.newest()] == closes[7:]
    setups.drop(NAMED + 2)
    assert setups.count == 5
    assert [event.time for event in setups.newest()] == closes[-2:], "the three others are older than those once named"


class Reporting:
    """Summaries with what there is to report, and a store that takes an event unless it has a trouble."""

    def __init__(self, time: DayTime, troubles: Sequence[StoreTroubleError] = (), **intakes: object) -> None:
        self.to_report, self.counts = ToReport("loft"), Counter[str]()
        self.said: list[Event] = []
        self.troubles, self.meanwhile = list(troubles), list[str]()
        committer: Any = SimpleNamespace(say=self.say, desk=SimpleNamespace(watched={}), counts=self.counts)
        feeds: Any = intakes
        self.summaries = Summaries("loft", self.to_report, committer, feeds, clock=time, chance=lambda: 0.5)

    async def say(self, event: Event) -> None:
        if self.troubles:
            raise self.troubles.pop()
        self.said.append(event)
        while self.meanwhile:
            self.to_report.note(self.meanwhile.pop())

    @asynccontextmanager
    async def summing_up(self) -> AsyncIterator[None]:
        running = asyncio.create_task(self.summaries.keep_summing_up())
        yield
        running.cancel()


async def test_what_a_start_could_not_sum_up_is_summed_up_once_the_store_takes_it(time: DayTime) -> None:
    station, setup = Reporting(time, [StoreTroubleError("the disk is full")]), setup_event("BUOY")
    station.to_report.remember(2, [setup, story_event("setup.lapsed", setup)])
    await station.summaries.caught_up()
    async with station.summing_up():
        await time.run(60)
    (summary,) = station.said
    assert summary.data["setups_found"] == 2
    first, second = summary.data["setups"]
    assert first == f"BUOY/15m long {rfc3339(setup.time)}"
    assert second.startswith("BUOY/15m long ")
    assert second.endswith(" lapsed")
    await station.summaries.still_watching(time.now())
    assert station.said[-1].data["troubles"] == ["the disk is full"]


async def test_a_store_in_trouble_is_asked_ever_less_often(time: DayTime) -> None:
    station = Reporting(time, [StoreTroubleError("the disk is full")] * 8)
    station.to_report.heard([], [setup_event("BUOY")])
    async with station.summing_up():
        await time.run(60)
        assert (station.said, len(station.troubles)) == ([], 1)
        await time.run(180)
    assert [event.data["setups_found"] for event in station.said] == [1]


async def test_each_summary_has_only_what_no_other_of_its_kind_had(time: DayTime) -> None:
    late = SimpleNamespace(late=SimpleNamespace(reason="closed bars are missing"))
    station = Reporting(time, tape=late, other=SimpleNamespace(late=None))
    station.to_report.note("first")
    station.meanwhile.append("second")
    for bars, setups in ((7, 2), (2, 1), (0, 0)):
        station.counts["bars"] += bars
        station.to_report.heard([], [setup_event(f"BUOY{number}") for number in range(setups)])
        await station.summaries.still_watching(time.now())
        await station.summaries.sum_up()
    watching, missed = (
        [event.data for event in station.said if event.kind == kind]
        for kind in ("station.watching", "station.caught_up")
    )
    assert [(data["bars"], data["setups_found"], len(data["setups"])) for data in watching] == [
        (7, 2, 2),
        (2, 1, 1),
        (0, 0, 0),
    ]
    is_late = "feed tape is late: closed bars are missing"
    assert [data["troubles"] for data in watching] == [[is_late, "first"], [is_late, "second"], [is_late]]
    assert [(data["bars"], data["setups_found"], len(data["setups"])) for data in missed] == [(7, 2, 2), (2, 1, 1)]


async def test_a_feed_that_is_asked_all_the_time_delays_a_summary_by_two_minutes_at_most(time: DayTime) -> None:
    station = Reporting(time, tape=SimpleNamespace(is_asking=True))
    station.to_report.heard([], [setup_event("BUOY")])
    async with station.summing_up():
        await time.run(115)
        assert station.said == []
        await time.run(10)
    (summary,) = station.said
    assert summary.data["setups_found"] == 1


async def test_a_summary_gives_the_levels_of_a_setup_and_the_last_stop_of_one_that_ended(time: DayTime) -> None:
    station, setup = Reporting(time), setup_event("BUOY")
    station.to_report.heard([], [setup, story_event("setup.closed", setup)])
    await station.summaries.sum_up()
    (summary,) = station.said
    assert [[each[name] for name in ("what", "entry", "stop", "room")] for each in summary.data["found"]] == [
        ["setup", "101.35", "100.15", "2.38"],
        ["closed", "101.35", "100.90", None],
    ]
