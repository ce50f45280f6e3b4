"""The schedule through a simulated year: every bar close is handled, whatever the clock does."""

from __future__ import annotations

import asyncio
import logging
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from apscheduler.triggers.interval import IntervalTrigger
from structlog.testing import capture_logs

from scanner.clocks import SECOND, PacedClock
from scanner.market.sessions.calendars import calendar_named
from scanner.market.sessions.timeframes import Timeframe
from scanner.market.sessions.timetables import Timetable
from scanner.service.schedule.timers import LOOK, Due, Group, Timers
from tests.service.simulated_time import SimulatedTime

HOUR = 3_600 * SECOND


def at(text: str) -> int:
    return int(datetime.fromisoformat(text).timestamp()) * SECOND


@pytest.mark.parametrize("name", ["15m", "4h", "1d", "1w"])
def test_a_year_of_new_york_gives_every_close_exactly_once(name: str) -> None:
    timetable = Timetable(calendar_named("XNYS"), Timeframe.named(name))
    begin, end = at("2026-01-01T00:00Z"), at("2027-01-01T00:00Z")
    due = Due(timetable, timetable.last_close(begin))
    moments = np.arange(begin, end, 15 * 60 * SECOND).tolist()
    closes = [close for now in moments if (close := due.take(now)) is not None]
    assert closes == timetable.closes_between(begin, end - 1)[1].tolist()
    days = {datetime.fromtimestamp(close // SECOND, ZoneInfo("America/New_York")).date() for close in closes}
    if name == "1d":
        # New York Stock Exchange, published holiday list (from memory; confirmed with exchange_calendars): 261
        # weekdays less 10 holidays.
        assert len(closes) == len(days) == 251
        written = {datetime.fromtimestamp(close // SECOND, UTC).strftime("%m-%d %H:%M") for close in closes}
        # Half days, and the change to summer time.
        assert {"11-27 18:00", "12-24 18:00", "03-06 21:00", "03-09 20:00", "10-30 20:00", "11-02 21:00"} <= written


def test_after_a_sleep_the_last_close_is_given_and_after_a_clock_was_set_back_an_earlier_one_again() -> None:
    timetable = Timetable(calendar_named("24/7"), Timeframe.named("1h"))
    begin = at("2026-06-01T00:00Z")
    due = Due(timetable, begin)
    hours = [0.5, 1, 1.5, 30.2, 30.9, 2, 2.9, 3]  # asleep for a day and more, then back from a clock that was ahead
    assert [due.take(begin + round(hour * HOUR)) for hour in hours] == [
        None if hour is None else begin + hour * HOUR for hour in (None, 1, None, 30, None, 2, None, 3)
    ]


@pytest.mark.parametrize("seed", range(3))
async def test_wherever_the_clock_jumps_the_last_close_is_handled_within_seconds(seed: int) -> None:
    rng = np.random.default_rng(seed)
    time = SimulatedTime(at("2026-03-02T15:00Z"))
    timetable = Timetable(calendar_named("XNYS"), Timeframe.named("15m"))
    group, due, seen = Group("tape", timetable, ("GANNET",)), Due(timetable, 0), [0]

    async def act(_: Group, close: int) -> None:
        seen.append(close)

    timers = Timers(time, time.sleep)
    timers.at_closes(group, due, 2.0, act)
    for _ in range(200):
        time.wall += round(float(rng.choice([1, -1, 60, -60, 3_600, -3_600, 86_400])) * float(rng.random()) * SECOND)
        await time.run(LOOK)
        assert seen[-1] == timetable.last_close(time.now() - 2 * SECOND)
        await time.run(float(rng.uniform(0, 900)))
        # While the clock runs on, it is handled at the moment it has settled.
        assert seen[-1] == timetable.last_close(time.now() - 2 * SECOND)
    assert (np.diff(seen) != 0).all()
    timers.stop()


async def test_in_real_time_every_close_is_seen_to() -> None:
    begin = at("2026-06-01T00:00Z")
    clock = PacedClock(begin, 600)  # a minute takes a tenth of a second
    due = Due(Timetable(calendar_named("24/7"), Timeframe.named("1m")), begin)
    group = Group("tape", due.timetable, ("GANNET",))
    closes: list[int] = []
    enough = asyncio.Event()

    async def act(_: Group, close: int) -> None:
        assert clock.now() >= close
        closes.append(close)
        if close >= begin + 10 * 60 * SECOND:
            enough.set()

    timers = Timers(clock)
    timers.at_closes(group, due, 0.0, act)
    async with asyncio.timeout(20):
        await enough.wait()
    timers.stop()
    # A busy machine may be late for one now and then, but not for every second one.
    assert set(closes) <= {begin + n * 60 * SECOND for n in range(1, 100)}
    assert sorted(set(closes)) == closes
    assert len(closes) > 5


async def test_a_job_cut_short_by_a_stop_or_due_again_is_no_trouble() -> None:
    begun, skipped = asyncio.Event(), asyncio.Event()

    def seen(record: logging.LogRecord) -> bool:
        if "skipped: maximum number of running instances reached" in record.getMessage():
            skipped.set()
        return True

    async def hang(*_: object) -> None:
        begun.set()
        await asyncio.Event().wait()

    class SlowUpkeep:
        """A job that is due again before it has ended."""

        def schedule(self, scheduler: Any) -> None:  # noqa: ANN401 - the library has no types
            scheduler.add_job(hang, IntervalTrigger(seconds=1, start_date=datetime.now(UTC)), max_instances=1)

    library = logging.getLogger("apscheduler.scheduler")
    library.addFilter(seen)
    clock = PacedClock(at("2026-06-01T00:00Z"), 600)
    due = Due(Timetable(calendar_named("24/7"), Timeframe.named("1m")), 0)
    timers = Timers(clock)
    with capture_logs() as logged:
        timers.at_closes(Group("tape", due.timetable, ("GANNET",)), due, 0.0, hang)
        timers.start(SlowUpkeep())  # type: ignore[arg-type]  # all that is asked of it
        async with asyncio.timeout(20):
            await begun.wait()
            await skipped.wait()
        timers.stop()
        await asyncio.sleep(0)
        await asyncio.sleep(0)
    library.removeFilter(seen)
    assert logged == []


async def test_a_failure_at_a_close_is_logged_and_the_next_close_is_handled(
    capsys: pytest.CaptureFixture[str],
) -> None:
    time, closes = SimulatedTime(at("2026-06-01T00:00Z")), []
    due = Due(Timetable(calendar_named("24/7"), Timeframe.named("1m")), time.now())

    async def act(_: Group, close: int) -> None:
        closes.append(close)
        raise ValueError("no such luck")

    timers = Timers(time, time.sleep)
    with capture_logs() as logged:
        timers.at_closes(Group("tape", due.timetable, ("GANNET",)), due, 0.0, act)
        await time.run(200)
        timers.stop()
    assert closes == [time.start + minute * 60 * SECOND for minute in (1, 2, 3)]
    (told,) = logged
    assert (told["log_level"], told["event"]) == ("error", "trouble with a timer")
    assert told["problem"].endswith("ValueError: no such luck\n")
    assert capsys.readouterr().err == ""


async def test_jobs_planned_by_a_clock_that_was_ahead_are_planned_again() -> None:
    class TwoDaysAhead(IntervalTrigger):  # type: ignore[misc]  # the library has no types
        """Plans by the time that the clock shows."""

        ahead = timedelta(days=2)

        def get_next_fire_time(self, previous: Any, now: datetime) -> Any:  # noqa: ANN401 - the library's
            return super().get_next_fire_time(previous, now + self.ahead)

    class AnUpkeep:
        """A job first planned by a clock that is ahead."""

        def schedule(self, scheduler: Any) -> None:  # noqa: ANN401 - the library has no types
            trigger = TwoDaysAhead(minutes=1, start_date=datetime(2026, 1, 1, tzinfo=UTC))
            scheduler.add_job(lambda: None, trigger, id="tidy", replace_existing=True)
            planned.append(scheduler)

    planned: list[Any] = []
    timers = Timers(PacedClock(0, 1))
    timers.start(AnUpkeep())  # type: ignore[arg-type]  # all that is asked of it
    TwoDaysAhead.ahead = timedelta()
    timers.clock_jumped(-2 * 86_400)
    (due,) = {scheduler.get_job("tidy").next_run_time for scheduler in planned}
    timers.stop()
    assert due - datetime.now(UTC) < timedelta(minutes=2)
