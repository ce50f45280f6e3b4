"""The desk on bad days: answers that come late, and a store that can be neither written nor read."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, NoReturn

import pytest

from scanner.market.aggregate import Aggregator
from scanner.market.sessions.calendars import calendar_named
from scanner.market.sessions.timeframes import Timeframe
from scanner.market.sessions.timetables import Timetable
from scanner.service.changes.restating import same
from scanner.service.desk import Desk
from scanner.service.intake.late_ends import LATE_END
from scanner.service.together.usual import Arrival
from scanner.store import SeriesKey, Store, StoreTroubleError
from tests.service.one_desk import ACCOUNT, BARS, LATER, expected, raw, watched

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from scanner.configuration.model.settings import Watched
    from scanner.events import Event
    from scanner.store import Batch


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "kept.db", lambda: LATER) as opened:
        yield opened


def desk(store: Store, each: Watched | None = None) -> Desk:
    made = Desk([each or watched()], ACCOUNT, store, route=lambda _: ("screen",), stale_after=10**9, record=True)
    made.load()
    return made


class Broken:
    """A store in which everything fails."""

    @property
    def bars(self) -> NoReturn:
        raise StoreTroubleError("the disk is gone")

    def commit(self, _: object) -> NoReturn:
        raise StoreTroubleError("the disk is gone")


class LastWord(Store):
    """A store that can no longer be read once it has kept something."""

    def commit(self, batch: Batch) -> list[Event]:
        kept = super().commit(batch)
        self.close()
        return kept


def test_a_stored_batch_is_published_even_if_the_store_cannot_be_read_afterwards(tmp_path: Path) -> None:
    with LastWord.open(tmp_path / "kept.db", lambda: LATER) as store:
        at = Desk([watched()], ACCOUNT, store, route=lambda _: ("screen",), stale_after=3, record=True)
        at.load()
        taken = at.take([Arrival("GANNET", raw(BARS))], LATER)
    setups = [event.id for event in expected() if event.facts.begins]
    assert [event.id for event in taken.missed] == setups
    assert {event.id for event in taken.stale} == {event.id for event in expected()}


def test_a_bar_that_was_open_when_asked_for_is_left_even_if_it_closed_meanwhile(store: Store) -> None:
    at, asked = desk(store), int(BARS.close_time[299]) - 1
    answered = Arrival("GANNET", raw(BARS[:300]), asked)
    assert at.take([answered], asked + 1_000_000_000).bars == 299
    assert at.take([answered._replace(asked=asked + 1)], asked + 1_000_000_000).bars == 1


def test_a_store_that_can_be_neither_written_nor_read_for_a_while_loses_nothing(store: Store) -> None:
    at = desk(store)
    at.take([Arrival("GANNET", raw(BARS[:500]))], LATER)
    at.store = Broken()  # type: ignore[assignment]  # fulfils nothing on purpose
    for _ in range(2):
        with pytest.raises(StoreTroubleError):
            at.take([Arrival("GANNET", raw(BARS[500:]))], LATER)
        assert at.last_close("GANNET") == BARS.close_time[499]  # so that the unstored bars are asked for again
    at.store = store
    at.take([Arrival("GANNET", raw(BARS[500:]))], LATER)
    assert [kept.event.to_json() for kept in store.events.find()] == [event.to_json() for event in expected()]


@pytest.mark.parametrize("minutes", [0, 5, 20])
def test_the_end_of_a_coarser_bar_may_come_late(store: Store, minutes: int) -> None:
    hourly = replace(watched(), timeframes=(Timeframe.named("1h"),))
    at, late = desk(store, hourly), minutes * 60_000_000_000
    for end in range(1, 41):
        # Asked at each close, the feed has this bar only if it is not late, and always the one before.
        for now in {int(BARS.close_time[end - 1]), int(BARS.close_time[end - 1]) + late}:
            known = end if now >= BARS.close_time[end - 1] + late else end - 1
            if known:
                at.take([Arrival("GANNET", raw(BARS[:known][-2:]))], now)
    (hours,) = store.bars.load([SeriesKey("GANNET", "1h")])
    closes = set(hours.bars.close_time.tolist())
    assert len(closes) >= 9
    for index, close in enumerate(BARS.close_time[:40].tolist()):
        if close in closes:
            (hour,) = (row for row in range(len(hours.bars)) if hours.bars.close_time[row] == close)
            assert hours.bars.close[hour] == BARS.close[index]


def test_a_coarser_bar_whose_end_never_comes_is_closed_all_the_same(store: Store) -> None:
    hourly = replace(watched(), timeframes=(Timeframe.named("1h"),))
    at, hour = desk(store, hourly), Timeframe.named("1h").nanoseconds
    ends = [index + 1 for index, close in enumerate(BARS.close_time[:20].tolist()) if close % hour == 0]
    lacking = ends[2] - 1  # all but the last quarter of an hour
    at.take([Arrival("GANNET", raw(BARS[:lacking]))], int(BARS.close_time[lacking]))
    assert store.bars.last_close(SeriesKey("GANNET", "1h")) == BARS.close_time[ends[1] - 1]
    at.take([Arrival("GANNET", raw(BARS[lacking - 1 : lacking]))], int(BARS.close_time[lacking]) + LATE_END)
    assert store.bars.last_close(SeriesKey("GANNET", "1h")) == BARS.close_time[lacking]


@pytest.mark.parametrize("ahead", [0, 120])
def test_bars_that_come_after_the_coarser_one_was_taken_as_complete_still_make_it(store: Store, ahead: int) -> None:
    """After half an hour of silence, or with a clock two hours ahead, it counted as complete without its end."""
    hourly = replace(watched(), timeframes=(Timeframe.named("1h"),))
    at, hour, key = desk(store, hourly), Timeframe.named("1h").nanoseconds, SeriesKey("GANNET", "1h")
    ends = [index + 1 for index, close in enumerate(BARS.close_time[:30].tolist()) if close % hour == 0]
    half = ends[3] - 2
    at.take([Arrival("GANNET", raw(BARS[:half]))], int(BARS.close_time[half - 1]))
    shown = int(BARS.close_time[half - 1]) + ahead * 60_000_000_000 if ahead else int(BARS.close_time[half + 4])
    at.take([Arrival("GANNET", raw(BARS[half - 1 : half]))], shown)
    assert store.bars.last_close(key) == BARS.close_time[ends[3] - 1]
    for end in range(half + 1, ends[5] + 1):
        now = int(BARS.close_time[end - 1]) if ahead else max(int(BARS.close_time[end - 1]), shown)
        at.take([Arrival("GANNET", raw(BARS[end - 2 : end]))], now)
        (hours,) = store.bars.load([key])
        assert hours.bars.close_time[-1] <= now
    made = Aggregator(Timeframe.named("15m"), Timetable(calendar_named("24/7"), Timeframe.named("1h"))).push(
        BARS[: ends[5]]
    )
    assert same(hours.bars, made)
