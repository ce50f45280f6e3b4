"""The schedule through a simulated year: every bar close once, whatever the clock does."""

from __future__ import annotations

import asyncio
import logging
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from structlog.testing import capture_logs

from scanner.clocks import SECOND, PacedClock
from scanner.market.calendars import calendar_named
from scanner.market.sessions import Timetable
from scanner.market.timeframes import Timeframe
from scanner.service.schedule import BarCloseTrigger, Due, Group
from scanner.service.timers import Timers

if TYPE_CHECKING:
    from collections.abc import Iterator

HOUR = 3_600 * SECOND


class NoUpkeep:
    """Looks after nothing."""

    def schedule(self, _: object) -> None: ...


class SimulatedClock:
    """A clock that stands where it is put."""

    def __init__(self, now: int) -> None:
        self.time = now

    def now(self) -> int:
        return self.time

    def wall_time(self, moment: int) -> float:
        return moment / SECOND

    async def sleep(self, seconds: float) -> None:
        self.time += round(seconds * SECOND)


def at(text: str) -> int:
    return int(datetime.fromisoformat(text).timestamp()) * SECOND


def fired(trigger: BarCloseTrigger, clock: SimulatedClock, until: int) -> Iterator[int]:
    """Run a trigger the way the scheduler does, which asks twice what follows; at each fire time what is due is taken.

    Every close is given by a fire time of its own.
    """
    following = trigger.get_next_fire_time(None, datetime.fromtimestamp(clock.time / SECOND, UTC))
    while following.timestamp() * SECOND <= until:
        clock.time = max(clock.time, round(following.timestamp() * SECOND))
        now, times = datetime.fromtimestamp(clock.time / SECOND, UTC), []
        while following <= now:
            times.append(following)
            following = trigger.get_next_fire_time(following, now)
        (close,) = trigger.due.take(clock.time)
        yield close
        following = trigger.get_next_fire_time(times[-1], now)


@pytest.mark.parametrize("name", ["15m", "4h", "1d", "1w"])
def test_a_year_of_new_york_gives_every_close_exactly_once(name: str) -> None:
    timetable = Timetable(calendar_named("XNYS"), Timeframe.named(name))
    begin, end = at("2026-01-01T00:00Z"), at("2027-01-01T00:00Z")
    clock = SimulatedClock(begin)
    closes = list(fired(BarCloseTrigger(Due(timetable, begin), 2.0, clock), clock, end))
    assert closes == timetable.closes_between(begin, end)[1].tolist()
    days = {datetime.fromtimestamp(close // SECOND, ZoneInfo("America/New_York")).date() for close in closes}
    if name == "1d":
        # New York Stock Exchange, published holiday list (from memory; confirmed with exchange_calendars): 261
        # weekdays less 10 holidays.
        assert len(closes) == len(days) == 251
        written = {datetime.fromtimestamp(close // SECOND, UTC).strftime("%m-%d %H:%M") for close in closes}
        # Half days, and the change to summer time.
        assert {"11-27 18:00", "12-24 18:00", "03-06 21:00", "03-09 20:00", "10-30 20:00", "11-02 21:00"} <= written


def test_a_sleeping_laptop_and_a_clock_set_back_skip_and_double_nothing() -> None:
    timetable = Timetable(calendar_named("24/7"), Timeframe.named("1h"))
    begin = at("2026-06-01T00:00Z")
    due = Due(timetable, begin)
    taken = due.take(begin + 2 * HOUR)
    taken += due.take(begin + 1 * HOUR)  # an hour back
    taken += due.take(begin + 2 * HOUR)
    taken += due.take(begin + 30 * HOUR)  # asleep for a day and more
    assert taken == [begin + n * HOUR for n in range(1, 31)]


def test_a_trigger_after_a_sleep_fires_for_the_last_close_and_goes_on() -> None:
    timetable = Timetable(calendar_named("24/7"), Timeframe.named("1h"))
    begin = at("2026-06-01T00:00Z")
    clock = SimulatedClock(begin)
    trigger = BarCloseTrigger(Due(timetable, begin), 0.0, clock)
    first = trigger.get_next_fire_time(None, datetime.now(UTC))
    assert first == datetime(2026, 6, 1, 1, tzinfo=UTC)
    clock.time = begin + round(5.5 * HOUR)
    for _ in range(3):
        second = trigger.get_next_fire_time(first, datetime.now(UTC))
        assert second == datetime(2026, 6, 1, 5, tzinfo=UTC)
    for _ in range(3):
        assert trigger.get_next_fire_time(second, datetime.now(UTC)) == first + timedelta(hours=5)


async def test_the_real_scheduler_fires_at_every_close_by_itself() -> None:
    begin = at("2026-06-01T00:00Z")
    clock = PacedClock(begin, 600)  # a minute takes a tenth of a second
    due = Due(Timetable(calendar_named("24/7"), Timeframe.named("1m")), begin)
    group = Group("tape", due.timetable, ("GANNET",))
    fired_at: list[list[int]] = []
    enough = asyncio.Event()

    async def act(_: Group) -> None:
        fired_at.append(due.take(clock.now()))
        if sum(map(len, fired_at)) >= 20:
            enough.set()

    timers = Timers(clock)
    timers.at_closes(group, due, 0.0, act)
    timers.start(NoUpkeep())  # type: ignore[arg-type]  # all that is asked of it
    async with asyncio.timeout(20):
        await enough.wait()
    timers.stop()
    closes = [close for each in fired_at for close in each]
    assert closes == [begin + n * 60 * SECOND for n in range(1, len(closes) + 1)]
    # A busy machine may be late for one now and then, not for every other.
    assert sum(len(each) == 1 for each in fired_at) > len(closes) / 2


async def test_what_a_stop_cuts_short_or_is_due_again_is_not_told_as_a_trouble() -> None:
    begin = at("2026-06-01T00:00Z")
    due = Due(Timetable(calendar_named("24/7"), Timeframe.named("1m")), begin)
    group, begun, skipped = Group("tape", due.timetable, ("GANNET",)), asyncio.Event(), asyncio.Event()

    def seen(record: logging.LogRecord) -> bool:
        if "skipped: maximum number of running instances reached" in record.getMessage():
            skipped.set()
        return True

    async def act(_: Group) -> None:
        begun.set()
        await asyncio.Event().wait()

    library = logging.getLogger("apscheduler.scheduler")
    library.addFilter(seen)
    timers = Timers(PacedClock(begin, 600))
    timers.at_closes(group, due, 0.0, act)
    timers.start(NoUpkeep())  # type: ignore[arg-type]  # all that is asked of it
    with capture_logs() as logged:
        async with asyncio.timeout(20):
            await begun.wait()
            await skipped.wait()
        timers.stop()
        await asyncio.sleep(0)
        await asyncio.sleep(0)
    library.removeFilter(seen)
    assert logged == []


async def test_a_job_that_fails_is_told_in_a_line_of_our_own_log(capsys: pytest.CaptureFixture[str]) -> None:
    begin, failed = at("2026-06-01T00:00Z"), asyncio.Event()
    due = Due(Timetable(calendar_named("24/7"), Timeframe.named("1m")), begin)

    async def act(_: Group) -> None:
        failed.set()
        raise ValueError("no such luck")

    timers = Timers(PacedClock(begin, 600))
    timers.at_closes(Group("tape", due.timetable, ("GANNET",)), due, 0.0, act)
    with capture_logs() as logged:
        timers.start(NoUpkeep())  # type: ignore[arg-type]  # all that is asked of it
        async with asyncio.timeout(20):
            await failed.wait()
        timers.stop()
        await asyncio.sleep(0)
    assert (logged[0]["log_level"], logged[0]["event"]) == ("error", "trouble with a timer")
    assert logged[0]["problem"].endswith("ValueError: no such luck\n")
    assert capsys.readouterr().err == ""


def test_random_jumps_forward_and_back_give_each_close_once_and_in_order() -> None:
    rng = np.random.default_rng(3)
    timetable = Timetable(calendar_named("XNYS"), Timeframe.named("15m"))
    now = begin = at("2026-03-02T00:00Z")
    due, taken = Due(timetable, begin), []
    for _ in range(500):
        now += round(float(rng.normal(2, 5)) * HOUR)
        taken += due.take(now)
    last = max(taken)
    assert taken == timetable.closes_between(begin, last)[1].tolist()
