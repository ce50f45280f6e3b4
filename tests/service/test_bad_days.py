"""A whole station on bad days: in the end its events are those of a replay, each once, and trouble is reported."""

from __future__ import annotations

import asyncio
import sqlite3
from collections import Counter
from contextlib import closing
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import pytest

from scanner.backoff import Pauses
from scanner.delivery import Dispatcher
from scanner.ports import Answer, DeliveryError, FeedLimits, FeedTroubleError
from scanner.service.changes.restating import as_sent
from scanner.store import Batch, SeriesKey, Store, StoreTroubleError
from scanner.store.trouble import StoreDamagedError
from scanner.store.upkeep.check import check
from tests.delivery.tools import PlannedSink
from tests.service.bad_days import (
    BARS,
    BEGIN,
    FIRST,
    QUARTER_HOUR,
    SECOND,
    DayTime,
    Tape,
    day,
    expected,
    of_bars,
    settings,
)

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from scanner.ports import Want

SATURDAY = 5
HOUR = 3_600 * SECOND
ROOM = 1_073_741_823
"""The most pages that SQLite allows."""


@pytest.fixture
def time() -> DayTime:
    return DayTime()


@pytest.fixture
def store(tmp_path: Path, time: DayTime) -> Iterator[Store]:
    with Store.open(tmp_path / "kept.db", time.now) as opened:
        yield opened


def fill_the_disk(store: Store) -> None:
    with store.database.plain() as connection:
        connection.execute("PRAGMA max_page_count = 1")  # which SQLite takes to mean: not one page more


def make_room(store: Store) -> None:
    with store.database.plain() as connection:
        connection.execute(f"PRAGMA max_page_count = {ROOM}")


def kept(store: Store) -> list[str]:
    return of_bars(each.event for each in store.events.find())


async def test_a_full_disk_costs_no_bar_and_no_word(tmp_path: Path, time: DayTime, store: Store) -> None:
    known = settings(tmp_path)
    async with day(known, store, {"tape": Tape(time)}, time) as on:
        await on.bars(10)
        before = kept(store)
        assert len(before) == 3  # the first story is open
        fill_the_disk(store)
        await on.bars(60)  # among them the end of the first story, and all of the second
        assert check(store) == []
        # Batches that still fit into the existing pages are stored as a whole, and nothing else.
        assert set(before) <= set(kept(store)) < set(expected(known, FIRST + 70))
        first, late = on.station.to_report.troubles
        assert first.startswith(f"feed tape: {tmp_path}/kept.db: the disk is full, nothing of the last change")
        assert late == first.replace("tape:", "tape late:", 1)
        make_room(store)
        await on.bars(55)
        assert on.stories() == kept(store) == expected(known, FIRST + 125)
        assert len(on.stories()) == 11
        assert [kind for kind in on.kinds() if kind.startswith("feed.")] == ["feed.late", "feed.back"]
    assert check(store) == []
    assert {each.event.id for each in store.outbox.list()} == {event.id for event in on.told}


async def test_a_full_disk_is_reported_once_even_so(tmp_path: Path, time: DayTime, store: Store) -> None:
    sink = PlannedSink(time, start_troubles=[DeliveryError("nobody is there")])
    delivery = Dispatcher(store, {"archive": sink}, clock=time, pauses=Pauses(lambda: 0.5))
    async with day(settings(tmp_path), store, {"tape": Tape(time)}, time, delivery=delivery) as on:
        await on.bars(1)
        fill_the_disk(store)
        await on.bars(3)
        late = sink.calls[-1][1][0].event
        assert (late.kind, late.data["feed"]) == ("feed.late", "tape")
        assert "the disk is full" in late.data["reason"]
        make_room(store)
        await on.bars(3)
    assert sink.taken.count(late.id) == 1
    assert {name: sink.taken.count(name) for name in sink.taken} == {event.id: 1 for event in on.told}
    assert store.outbox.counts() == {("archive", "delivered"): len(on.told)}


async def test_a_disk_that_is_full_at_the_start_is_waited_for(tmp_path: Path, time: DayTime, store: Store) -> None:
    known = settings(tmp_path)
    fill_the_disk(store)
    async with day(known, store, {"tape": Tape(time)}, time) as on:
        assert on.station.desk.last_close("GANNET") is None
        (trouble,) = on.station.to_report.troubles
        assert trouble.endswith("the disk is full, nothing of the last change was kept; free some space")
        make_room(store)
        await on.bars(220)
        assert kept(store) == on.stories() == expected(known, FIRST + 220)
    assert check(store) == []


async def test_a_damaged_outbox_ends_the_watching_since_nothing_would_arrive_any_more(
    tmp_path: Path, time: DayTime
) -> None:
    path = tmp_path / "damaged.db"
    Store.open(path, time.now).close()
    with closing(sqlite3.connect(path)) as connection:
        (page,) = connection.execute("SELECT rootpage FROM sqlite_master WHERE name = 'outbox_waiting'").fetchone()
        (size,) = connection.execute("PRAGMA page_size").fetchone()
    with path.open("r+b") as file:
        file.seek((page - 1) * size)
        file.write(b"\xff" * size)
    with Store.open(path, time.now) as store:
        sinks = {"archive": PlannedSink(time)}
        delivery = Dispatcher(store, sinks, clock=time, pauses=Pauses(lambda: 0.5))
        with pytest.raises(
            StoreDamagedError, match=r"damaged\.db: the file is damaged .* put a copy of it in its place"
        ):
            async with day(settings(tmp_path), store, {"tape": Tape(time)}, time, delivery=delivery) as on:
                await on.bars(1)
        assert sinks["archive"].stops == 1


@pytest.mark.parametrize("part", ["", "-wal", "-shm"])
async def test_a_store_that_is_removed_under_the_station_takes_nothing_more_and_ends_the_watching(
    tmp_path: Path, time: DayTime, store: Store, part: str
) -> None:
    async def watch_until_it_is_gone() -> None:
        async with day(settings(tmp_path), store, {"tape": Tape(time)}, time, sleep=time.sleep) as on:
            await on.bars(6)  # up to a setup, whose entry would come with the next bar
            before, last = kept(store), store.bars.last_close(base)
            assert len(before) == 1
            (tmp_path / f"kept.db{part}").unlink()
            with pytest.raises(StoreTroubleError, match="was removed or replaced"):
                store.commit(Batch())
            await on.bars(1)
            assert (kept(store), store.bars.last_close(base)) == (before, last)

    base = SeriesKey("GANNET", "15m")
    gone = rf"kept\.db: kept\.db{part} was removed or replaced while the store was"
    with pytest.raises(StoreTroubleError, match=gone):
        await watch_until_it_is_gone()


def refuses(_: Want) -> None:
    raise FeedTroubleError("harbour: the gate is shut; look at the gate")


async def _hang() -> None:
    await asyncio.Event().wait()


MISDEEDS: dict[str, Any] = {
    "refuses": refuses,
    "hangs": lambda _: _hang(),
    "says nothing": lambda _: [],
    "answers rubbish": lambda _: "rubbish",
    "answers yesterday": lambda want: [Answer(want, as_sent(BARS[FIRST - 97 : FIRST - 96], "tape"))],
}


@pytest.mark.parametrize("misdeed", MISDEEDS)
async def test_a_feed_in_trouble_is_reported_once_delays_no_other_and_catches_up(
    tmp_path: Path, time: DayTime, store: Store, misdeed: str
) -> None:
    folder = {"type": "folder", "path": "."}
    known = settings(
        tmp_path, feeds={"tape": folder, "harbour": folder}, instruments={"GANNET": {}, "FULMAR": {"feed": "harbour"}}
    )
    harbour = Tape(time, limits=FeedLimits(answer_within=0.02))
    async with day(known, store, {"tape": Tape(time), "harbour": harbour}, time) as on:
        await on.bars(3)
        harbour.plan = MISDEEDS[misdeed]
        for _ in range(50):
            await on.bars(1)
            assert on.station.desk.last_close("GANNET") == time.now()  # at the moment of its close
        harbour.plan = lambda _: None
        await on.bars(20)
        assert on.stories() == kept(store) == expected(known, FIRST + 73)
        assert [kind for kind in on.kinds() if kind.startswith("feed.")] == ["feed.late", "feed.back"]
        (back,) = (event for event in on.told if event.kind == "feed.back")
        assert back.data["caught_up"] >= 50
    assert check(store) == []


async def test_a_feed_that_repeats_all_its_bars_causes_no_event_twice(
    tmp_path: Path, time: DayTime, store: Store
) -> None:
    known, tape = settings(tmp_path), Tape(time)
    tape.plan = lambda want: [Answer(want, as_sent(tape.known(want.since and BEGIN), "tape"))] * 2
    async with day(known, store, {"tape": tape}, time) as on:
        await on.bars(50)
        assert on.stories() == kept(store) == expected(known, FIRST + 50)
        assert [kind for kind in on.kinds() if kind.startswith("feed.")] == []


async def test_a_clock_an_hour_slow_for_a_while_misses_and_repeats_nothing(
    tmp_path: Path, time: DayTime, store: Store
) -> None:
    known = settings(tmp_path)
    async with day(known, store, {"tape": Tape(time)}, time, sleep=time.sleep) as on:
        await on.bars(4)
        time.wall = -HOUR
        await on.bars(10)
        time.wall = 0
        await on.bars(25)
        assert "the clock was set back by 3,600 s" in on.station.to_report.troubles[0]
        assert on.stories() == kept(store) == expected(known, FIRST + 39)
        assert len(on.stories()) == 6
    (series,) = store.bars.load([key for key in store.bars.keys if key.instrument == "GANNET"])
    assert Counter((series.bars.close_time[1:] - series.bars.close_time[:-1]).tolist()).keys() == {
        QUARTER_HOUR * SECOND
    }


async def test_a_machine_that_slept_notices_within_seconds_and_catches_up(
    tmp_path: Path, time: DayTime, store: Store
) -> None:
    known = settings(tmp_path)
    # A feed that is asked at the closes, by timers that do not notice the sleep.
    async with day(known, store, {"tape": Tape(time, arrived=None)}, time, sleep=time.sleep) as on:
        await time.run(60)
        assert on.station.desk.last_close("GANNET") == BEGIN
        time.wall = 9 * HOUR
        await time.run(10)
        assert on.station.desk.last_close("GANNET") == BEGIN + 9 * HOUR
        assert on.stories() == kept(store) == expected(known, FIRST + 36)
        assert [kind for kind in on.kinds() if kind.startswith("feed.")] == []


async def test_a_dead_feed_is_reported_even_if_the_station_starts_on_a_weekend(
    tmp_path: Path, time: DayTime, store: Store
) -> None:
    """Nothing closes for a day and a half, but the last closed bar is missing: on Monday nobody would be looking."""
    assert datetime.fromtimestamp(time.now() / SECOND, UTC).weekday() == SATURDAY
    tokyo = {"feed": "tape", "calendar": "XTKS", "timeframes": ["15m"], "step": "0.01"}
    async with day(settings(tmp_path, defaults=tokyo), store, {"tape": Tape(time, refuses)}, time) as on:
        await time.run(300)
        (late,) = on.told
        assert (late.kind, late.data["reason"]) == ("feed.late", "harbour: the gate is shut; look at the gate")
        assert late.data["since"] == "2023-11-17T06:00:00Z"


async def test_what_left_the_list_makes_no_feed_late(tmp_path: Path, time: DayTime, store: Store) -> None:
    def silent(want: Want) -> list[Answer] | None:
        return [] if want.symbol == "FULMAR" else None

    both = settings(tmp_path, instruments={"GANNET": {}, "FULMAR": {}})
    async with day(both, store, {"tape": Tape(time, silent, batch=1)}, time) as on:
        await on.bars(2)
        assert on.station.intakes["tape"].late is not None
        await on.station.reload(settings(tmp_path))
        await time.run(1)
        assert on.station.intakes["tape"].late is None
        feeds = [event for event in on.told if event.kind.startswith("feed.")]
        assert [event.kind for event in feeds] == ["feed.late", "feed.back"]
        assert feeds[1].data["reason"] == "what was missing is no longer watched"
        assert feeds[1].data["series"] == ["FULMAR"]
