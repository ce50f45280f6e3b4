"""The summary of the day: at its time, every day, with all that came since the one before."""

from __future__ import annotations

import asyncio
from datetime import UTC, datetime, time
from typing import TYPE_CHECKING

import pytest

from scanner.clocks import SECOND, next_time
from scanner.events import rfc3339
from scanner.ports import FeedTroubleError
from scanner.service.schedule.timers import LOOK, Timers
from scanner.store import Store
from tests.service.bad_days import BARS, FIRST, DayTime, Tape, day, settings
from tests.service.simulated_time import SimulatedTime

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from scanner.events import Event

STATION = {"name": "loft", "stale_after": 3, "zone": "Asia/Kolkata", "summary_at": "07:30"}
"""In UTC that is 02:00, nine bars after the day begins at 23:45."""
BEFORE, WHOLE_DAY = 9, 96
HOUR = 3_600 * SECOND


@pytest.fixture
def clock() -> DayTime:
    return DayTime()


@pytest.fixture
def store(tmp_path: Path, clock: DayTime) -> Iterator[Store]:
    with Store.open(tmp_path / "kept.db", clock.now) as opened:
        yield opened


def summaries(store: Store) -> list[Event]:
    return [kept.event for kept in store.events.find(kinds=["station.watching"])]


def found(number: int) -> list[str]:
    """Name the setup at a bar."""
    direction = {396: "long", 425: "short", 506: "long"}[number]
    return [f"GANNET/15m {direction} {rfc3339(int(BARS.close_time[number - 1]))}"]


def forbid(store: Store, *, writing: bool) -> None:
    with store.database.plain() as connection:
        connection.execute(f"PRAGMA query_only = {int(writing)}")


@pytest.mark.parametrize(
    ("zone", "at", "since", "moments"),
    [
        ("Europe/Berlin", "18:30", "2026-03-28T00:00Z", ["28T17:30", "29T16:30", "30T16:30"]),
        # Skipped on the 29th, when 2:00 is followed by 3:00.
        ("Europe/Berlin", "02:30", "2026-03-28T00:00Z", ["28T01:30", "29T01:30", "30T00:30"]),
        # Twice on the 25th, at 0:30 and 1:30 UTC.
        ("Europe/Berlin", "02:30", "2026-10-24T00:00Z", ["24T00:30", "25T00:30", "26T01:30"]),
        # Chile has no midnight on the 6th.
        ("America/Santiago", "00:00", "2026-09-05T00:00Z", ["05T04:00", "06T04:00", "07T03:00"]),
    ],
)
def test_a_time_of_day_comes_once_a_day_also_when_the_clocks_change(
    zone: str, at: str, since: str, moments: list[str]
) -> None:
    now, came = int(datetime.fromisoformat(since).timestamp()) * SECOND, []
    for _ in moments:
        now = next_time(time.fromisoformat(at), zone, now)
        came.append(f"{datetime.fromtimestamp(now // SECOND, UTC):%dT%H:%M}")
    assert came == moments


async def test_it_comes_every_day_once_whatever_the_clock_does() -> None:
    clock, came = SimulatedTime(int(datetime(2026, 10, 24, tzinfo=UTC).timestamp()) * SECOND), list[str]()

    async def act(now: int) -> None:
        came.append(f"{datetime.fromtimestamp(now // SECOND, UTC):%dT%H:%M:%S}")

    timers = Timers(clock, clock.sleep)
    running = asyncio.create_task(timers.every_day(time(2, 30), "Europe/Berlin", act))
    await clock.run(50 * 3_600)
    assert came == ["24T00:30:00", "25T00:30:00", "26T01:30:00"]
    clock.wall = 60 * HOUR  # the machine was asleep, or its clock is ahead
    await clock.run(LOOK)
    assert came[3:] == ["28T14:00:05"]
    clock.wall = 0
    await clock.run(24 * 3_600)
    assert came[4:] == ["27T01:30:00"], "it was not put off for days"
    running.cancel()


async def test_a_station_says_it_at_the_time_of_day_in_its_zone(tmp_path: Path, clock: DayTime, store: Store) -> None:
    known = settings(tmp_path, station=STATION)
    async with day(known, store, {"tape": Tape(clock)}, clock, sleep=clock.sleep) as on:
        await on.bars(BEFORE - 1)
        await clock.run(899)
        assert summaries(store) == []
        await clock.run(1)
    (summary,) = summaries(store)
    assert rfc3339(summary.time) == "2023-11-19T02:00:00Z"
    assert summary.id in {each.event.id for each in store.outbox.list()}


async def test_it_has_the_bars_and_setups_since_the_one_before(tmp_path: Path, clock: DayTime, store: Store) -> None:
    async with day(settings(tmp_path), store, {"tape": Tape(clock)}, clock) as on:
        for bars in (BEFORE, WHOLE_DAY):
            await on.bars(bars)
            await on.station.summaries.still_watching(clock.now())
    first, second = summaries(store)
    assert first.data["reason"] == "still watching: 1 setup since the start"
    assert (first.data["bars"], first.data["setups"]) == (FIRST + BEFORE, found(396))
    assert second.data["reason"] == "still watching: 1 setup since the last summary"
    assert (second.data["bars"], second.data["setups"]) == (WHOLE_DAY, found(425))


async def test_it_names_each_trouble_once_and_a_feed_that_is_late(tmp_path: Path, clock: DayTime, store: Store) -> None:
    def shut(_: object) -> None:
        raise FeedTroubleError("the exchange is shut")

    tape = Tape(clock)
    async with day(settings(tmp_path), store, {"tape": tape}, clock) as on:
        for plan, notes in (
            (lambda _: [], 0),
            (lambda _: [], 100),
            (shut, 0),
            (lambda _: None, 0),
            (lambda _: None, 0),
        ):
            tape.plan = plan
            for _ in range(notes):
                on.station.to_report.note("upkeep: the disk is full")
            await on.bars(10)
            await on.station.summaries.still_watching(clock.now())
    late = "feed tape is late: closed bars are missing"
    assert [event.data["troubles"] for event in summaries(store)] == [
        [late],
        [late, "upkeep: the disk is full"],
        [late, "feed tape: the exchange is shut"],
        [],
        [],
    ]


async def test_a_store_that_cannot_be_written_just_then_gets_it_later_and_nothing_is_lost_or_told_twice(
    tmp_path: Path, clock: DayTime, store: Store
) -> None:
    async with day(settings(tmp_path), store, {"tape": Tape(clock)}, clock) as on:
        await on.bars(BEFORE)
        forbid(store, writing=True)
        told = asyncio.create_task(on.station.summaries.still_watching(clock.now()))
        await clock.run(60)
        assert summaries(store) == []
        forbid(store, writing=False)
        await on.bars(WHOLE_DAY)
        assert told.done()
        await on.station.summaries.still_watching(clock.now())
    first, second = summaries(store)
    assert rfc3339(first.time) == "2023-11-19T02:00:00Z"
    assert (first.data["setups"], second.data["setups"]) == (found(396), found(425))
    assert first.data["bars"] + second.data["bars"] == FIRST + BEFORE + WHOLE_DAY
    assert first.data["troubles"] == []
    (trouble,) = second.data["troubles"]
    assert "read-only" in trouble
