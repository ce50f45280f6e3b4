"""A defect in one instrument of a batch stalls no other, and a batch that has begun is taken in or fails as a whole."""

from __future__ import annotations

import asyncio
import gc
import threading
from collections import Counter
from dataclasses import replace
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any, cast

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from scanner.market.instruments import Instrument
from scanner.service.committing import MOST_HALVINGS, Committer, take_apart
from scanner.service.desk import Desk, Taken
from scanner.service.to_report import ToReport
from scanner.service.together.usual import Arrival
from scanner.store import Store, StoreTroubleError
from tests.service.one_desk import ACCOUNT, BARS, LATER, expected, raw, watched
from tests.service.simulated_time import AtOnce

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from concurrent.futures import Future
    from pathlib import Path

    from scanner.clocks import Clock
    from scanner.events import Event
    from scanner.store import Batch

ROWS = raw(BARS[:1])


def arrivals(count: int) -> list[Arrival]:
    return [Arrival(f"I{number}", ROWS) for number in range(count)]


@given(st.integers(1, 300), st.sets(st.integers(0, 299), max_size=5))
def test_all_but_those_that_fail_are_taken_in_once_and_in_order(count: int, culprits: set[int]) -> None:
    batch = arrivals(count)
    wrong = {f"I{number}" for number in culprits if number < count}
    taken: list[str] = []

    def take(part: Sequence[Arrival]) -> Taken:
        names = [each.instrument for each in part]
        if wrong.intersection(names):
            raise ZeroDivisionError
        taken.extend(names)
        return Taken(bars=len(names), refused=Counter(odd=len(names)), restated=dict.fromkeys(names, 5))

    if len(wrong) == count:
        with pytest.raises(ZeroDivisionError):
            take_apart(take, batch)
        return
    whole, failed = take_apart(take, batch)
    right = [each.instrument for each in batch if each.instrument not in wrong]
    assert taken == right
    assert whole.bars == whole.refused["odd"] == len(right)
    assert list(whole.restated) == right
    assert set(failed) == set(whole.useless) == wrong


def test_if_everything_fails_it_is_not_tried_for_ever() -> None:
    calls = 0

    def take(part: Sequence[Arrival]) -> Taken:
        nonlocal calls
        calls += 1
        raise ZeroDivisionError(len(part))

    with pytest.raises(ZeroDivisionError):
        take_apart(take, arrivals(10_000))
    assert calls == 2 * MOST_HALVINGS + 1


def test_a_store_that_fails_is_asked_once() -> None:
    calls = 0

    def take(_: Sequence[Arrival]) -> Taken:
        nonlocal calls
        calls += 1
        raise StoreTroubleError("the disk is gone")

    with pytest.raises(StoreTroubleError):
        take_apart(take, arrivals(100))
    assert calls == 1


def committer_of(desk: Desk, now: Callable[[], int] = lambda: LATER) -> Committer:
    clock = cast("Clock", SimpleNamespace(now=now))
    return Committer(desk, ToReport("loft"), clock=clock, delivery=None, on_event=lambda _: None, turn_within=60.0)


async def test_rows_that_no_feed_should_give_stall_their_own_instrument_alone(tmp_path: Path) -> None:
    names = ("GANNET", "PETREL", "FULMAR")
    each = watched()
    listed = [replace(each, instrument=Instrument(name, each.instrument.steps), symbol=name) for name in names]
    with Store.open(tmp_path / "kept.db", lambda: LATER) as store:
        desk = Desk(listed, ACCOUNT, store, route=lambda _: (), stale_after=10**9, record=False)
        desk.load()
        committer = committer_of(desk)
        good = raw(BARS[:300])
        crooked = replace(good, high=good.high[:7])
        for _ in range(2):
            taken = await committer.take([Arrival(name, crooked if name == "PETREL" else good) for name in names])
            assert taken.useless["PETREL"].startswith("it could not be taken in: IndexError")
            assert [desk.last_close(name) for name in names] == [BARS.close_time[299], None, BARS.close_time[299]]
        assert committer.counts["bars"] == 600
        assert committer.to_report.troubles == [f"PETREL: {taken.useless['PETREL']}"]  # once
        # Once the feed is repaired, that instrument goes on as well.
        assert (await committer.take([Arrival("PETREL", good)])).bars == 300


class SlowlyFailing(Store):
    """A store whose disk takes its time, and then fails."""

    begun, goes_on = threading.Event(), threading.Event()

    def commit(self, _: Batch) -> list[Event]:
        self.begun.set()
        self.goes_on.wait(10)
        raise StoreTroubleError("the disk is gone")


async def test_a_batch_that_fails_after_a_stop_leaves_no_error_that_nobody_has_seen(tmp_path: Path) -> None:
    unseen: list[dict[str, object]] = []
    asyncio.get_running_loop().set_exception_handler(lambda _, context: unseen.append(context))
    with SlowlyFailing.open(tmp_path / "kept.db", lambda: LATER) as store:
        desk = Desk([watched()], ACCOUNT, store, route=lambda _: (), stale_after=10**9, record=False)
        desk.load()
        committer, part = committer_of(desk), [Arrival("GANNET", raw(BARS[:9]))]
        taking = asyncio.create_task(committer.take(part))
        await asyncio.to_thread(store.begun.wait, 10)
        taking.cancel()
        await asyncio.gather(taking, return_exceptions=True)
        store.goes_on.set()
        with pytest.raises(StoreTroubleError):
            await committer.take(part)  # in its turn: the first has ended
    del taking
    gc.collect()
    assert unseen == []


async def test_what_waited_for_its_thread_is_judged_by_the_clock_then(tmp_path: Path) -> None:
    """By a clock that was ahead before, a setup would count as too old to be sent."""
    setup = next(event for event in expected() if event.kind == "setup.qualified")
    shown = [setup.time + 10**15]

    class Busy(AtOnce):
        def submit(self, function: Callable[..., Any], /, *args: object, **options: object) -> Future[Any]:
            shown[0] = setup.time
            return super().submit(function, *args, **options)

    asyncio.get_running_loop().set_default_executor(Busy())
    with Store.open(tmp_path / "kept.db", lambda: shown[0]) as store:
        desk = Desk([watched()], ACCOUNT, store, route=lambda _: ("screen",), stale_after=3, record=False)
        desk.load()
        closed = BARS[: int(np.searchsorted(BARS.close_time, setup.time)) + 1]
        await committer_of(desk, lambda: shown[0]).take([Arrival("GANNET", raw(closed))])
        assert setup.id in {each.event.id for each in store.outbox.list()}
