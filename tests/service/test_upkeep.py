"""The running station keeps its store in order and removes expired data."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

from apscheduler.schedulers.asyncio import AsyncIOScheduler

from scanner.clocks import DAY
from scanner.market.bars import Bars
from scanner.service.to_report import ToReport
from scanner.service.upkeep import Upkeep
from scanner.store import Batch, Store
from scanner.store.upkeep.check import check
from scanner.store.upkeep.maintenance import retain, tidy
from tests.service.one_desk import BARS, desk, take
from tests.service.test_decided import story_of_one_entered
from tests.store.samples import GANNET, START, said, sent, update

if TYPE_CHECKING:
    from pathlib import Path

NOW = datetime(2026, 3, 2, 9, tzinfo=UTC)


def test_the_store_is_tidied_every_minute_and_thinned_every_day_beginning_soon(tmp_path: Path) -> None:
    with Store.open(tmp_path / "kept.db", lambda: START) as store:
        scheduler = AsyncIOScheduler(timezone=UTC)
        Upkeep(store, keep_bars=500, keep_days=1, note=lambda _: None).schedule(scheduler, NOW)
        first = NOW + timedelta(minutes=10)
        triggers = {job.func.__name__: job.trigger for job in scheduler.get_jobs()}
        assert triggers["retain"].get_next_fire_time(None, NOW) == first
        assert triggers["retain"].get_next_fire_time(first, first) == first + timedelta(days=1)
        assert triggers["tidy"].get_next_fire_time(NOW, NOW) == NOW + timedelta(minutes=1)


async def test_tidying_and_thinning_do_what_the_settings_say(tmp_path: Path) -> None:
    now = START
    with Store.open(tmp_path / "kept.db", lambda: now) as store:
        for minute in range(300):
            store.commit(Batch([update(GANNET, minute, 1)], sent=[sent(GANNET, minute, 1)]))
        store.commit(Batch([update(GANNET, 300, 1_000)], said=[said(GANNET, 7, [])]))
        upkeep = Upkeep(store, keep_bars=500, keep_days=20, note=lambda _: None)
        await upkeep.tidy()
        assert not tidy(store)
        now = START + 21 * DAY
        bars, events, rows = await upkeep.retain()
        assert (events, rows) == (1, 300)
        (stored,) = store.bars.load([GANNET])
        assert len(stored.bars) == 1_300 - bars
        assert 500 <= len(stored.bars) < 500 + 256
        assert check(store) == []


def test_an_open_story_goes_on_as_ever_however_few_days_are_kept(tmp_path: Path) -> None:
    """It is sent, it can be taken, and restated bars are compared with what was published of it."""
    story, index = story_of_one_entered()
    thread, now = story[0].thread, int(BARS.close_time[index])
    with Store.open(tmp_path / "kept.db", lambda: now) as store:
        at = desk(store, stale_after=3)
        for place in range(index + 1):
            take(at, BARS[place : place + 1])
        store.outbox.delivered([each.number for each in store.outbox.list()])
        now += 2 * DAY
        retain(store, keep_bars=10**6, keep_days=1)
        columns = [column.copy() for column in BARS.columns()]
        columns[6][index] = 12_345  # only a volume changes
        assert take(at, Bars(*columns)[index - 1 : index + 1]).restated.keys() == {"GANNET"}
        store.decisions.add(thread, "take")
        take(at, BARS[index + 1 :])
        assert [each.event.id for each in store.outbox.list() if each.event.thread == thread] == [
            event.id for event in story
        ]


def test_a_trouble_that_comes_every_minute_pushes_no_other_out_of_the_summary() -> None:
    to_report = ToReport("loft")
    to_report.note("feed coast: the gate is shut")
    for _ in range(1_440):
        to_report.note("upkeep: the disk is full")
    assert to_report.troubles == ["feed coast: the gate is shut", "upkeep: the disk is full"]


async def test_trouble_is_told_once_while_it_lasts_and_ends_nothing(tmp_path: Path) -> None:
    told: list[str] = []
    with Store.open(tmp_path / "kept.db", lambda: START) as store:
        upkeep = Upkeep(store, keep_bars=500, keep_days=20, note=told.append)
        for spell in (1, 2):
            with store.database.plain() as connection:
                connection.execute("ALTER TABLE recording RENAME TO away")
            await upkeep.tidy()
            assert await upkeep.retain() == (0, 0, 0)
            await upkeep.tidy()
            assert [text.startswith(f"upkeep: {tmp_path / 'kept.db'}: ") for text in told] == [True] * spell
            with store.database.plain() as connection:
                connection.execute("ALTER TABLE away RENAME TO recording")
            await upkeep.tidy()
