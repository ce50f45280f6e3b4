"""From the outbox to sinks that fail in every way: nothing is lost, and no event overtakes another of its thread."""

from __future__ import annotations

import asyncio
import sqlite3
from collections import defaultdict
from contextlib import closing
from dataclasses import replace
from datetime import time as wall_time
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scanner.backoff import Pauses
from scanner.configuration.model.tables import Quiet
from scanner.ports import DeliveryError, DeliveryRefusedError
from tests.adapters.samples import BAR_CLOSE, QUARTER_HOUR, forming_event, station_event
from tests.delivery.tools import NAME, SECOND, PlannedSink, Time, deliver, say, store_with, told
from tests.effort import EFFORT

if TYPE_CHECKING:
    from collections.abc import Sequence

    from scanner.events import Event

DOWN = DeliveryError("nobody is there")
MINUTE = 60.0


def firsts_by_thread(events: Sequence[Event], taken: Sequence[str]) -> dict[str, list[str]]:
    """Give the ids that arrived by thread, in order of first arrival."""
    threads = {event.id: event.thread for event in events}
    found = defaultdict(list)
    for name in dict.fromkeys(taken):
        found[threads[name]].append(name)
    return found


troubles = st.lists(
    st.one_of(
        st.none(),
        st.just(DOWN),
        st.builds(DeliveryError, st.just("busy"), st.floats(0, 1_000)),
        st.just(RuntimeError("a defect of the sink")),
    ),
    max_size=40,
)


@settings(max_examples=16 * EFFORT)
@given(
    threads=st.lists(st.integers(0, 5), min_size=1, max_size=30),
    poison=st.sets(st.integers(0, 29), max_size=3),
    troubles=troubles,
    start_troubles=st.lists(st.sampled_from([None, DOWN, DeliveryRefusedError("wrong password")]), max_size=5),
    lost_answers=st.booleans(),
    digests=st.booleans(),
    at_once=st.sampled_from([1, 3, 200]),
    ceiling=st.sampled_from([None, 1, 4]),
    quiet=st.sampled_from([None, Quiet(start=wall_time(15), end=wall_time(16, 5), zone="UTC")]),
)
def test_whatever_fails_nothing_is_lost_and_threads_keep_their_order(
    threads: list[int],
    poison: set[int],
    troubles: list[Exception | None],
    start_troubles: list[Exception | None],
    lost_answers: bool,
    digests: bool,
    at_once: int,
    ceiling: int | None,
    quiet: Quiet | None,
) -> None:
    first: dict[int, int] = {}
    events = []
    for number, thread in enumerate(threads):
        begun = first.setdefault(thread, number)
        # Thread 0 stands for events without a thread.
        event = told(number) if thread == 0 or begun == number else told(number, begun)
        events.append(replace(event, thread="") if thread == 0 else event)
    time = Time()
    refused = {event.id for number, event in enumerate(events) if number in poison}
    sink = PlannedSink(
        time,
        list(troubles),
        frozenset(refused),
        lost_answers,
        digests=digests,
        at_once=at_once,
        start_troubles=list(start_troubles),
    )
    with store_with(time, events) as store:
        asyncio.run(
            deliver(
                store,
                time,
                {NAME: sink},
                ceiling={} if ceiling is None else {NAME: ceiling},
                quiet={} if quiet is None else {NAME: quiet},
            )
        )
        dead = {each.event.id for each in store.outbox.list(["dead"])}
        delivered = {each.event.id for each in store.outbox.list(["delivered"])}
    assert dead == refused
    assert set(sink.taken) == delivered == {event.id for event in events} - refused
    assert lost_answers or len(sink.taken) == len(delivered)
    for story, names in firsts_by_thread(events, sink.taken).items():
        if story:
            assert names == [event.id for event in events if event.thread == story and event.id not in refused]
    assert sink.most <= at_once
    assert sink.stops == 1


async def test_pauses_grow_up_to_five_minutes_and_it_is_never_given_up() -> None:
    time = Time()
    sink = PlannedSink(time, [DOWN] * 20)
    sentences: list[str] = []
    with store_with(time, [told(0)]) as store:
        delivery = await deliver(store, time, {NAME: sink}, tell=sentences.append, pauses=Pauses(lambda: 0.999_999))
        (row,) = store.outbox.list()
    assert (row.state, row.attempts) == ("delivered", 21)
    expected = [min(2.0**failures, 300) for failures in range(20)]
    assert time.passed == pytest.approx(sum(expected) + 5, rel=1e-3)  # and one look at the empty outbox
    assert sentences == ["there: nobody is there; closewatch keeps trying until it works", "there: works again"]
    assert delivery.troubles() == {}


@given(st.floats(0, 1, exclude_max=True), st.integers(1, 2_000))
def test_jitter_takes_at_most_half_of_a_pause(random: float, failures: int) -> None:
    full = min(300.0, 2.0 ** min(failures - 1, 60))
    assert full / 2 <= Pauses(lambda: random).after(failures) <= full


async def test_the_other_side_may_ask_for_a_longer_pause() -> None:
    time = Time()
    sink = PlannedSink(time, [DeliveryError("later", 120.0), DeliveryError("later", 0.0)])
    with store_with(time, [told(0), told(1)]) as store:
        await deliver(store, time, {NAME: sink})
    assert [when for when, _ in sink.calls] == pytest.approx([121.5, 121.5], abs=0.01)


@pytest.mark.parametrize("ceiling", [None, 1])
async def test_a_clock_that_was_ahead_holds_nothing_up_once_it_is_set_right(ceiling: int | None) -> None:
    ahead = 7_200 * SECOND
    time = Time(shown=BAR_CLOSE + ahead)
    sink = PlannedSink(time, [None, DOWN, DOWN])
    with store_with(time, [told(0), told(1)]) as store:

        def set_right_once() -> bool:
            if time.shown > BAR_CLOSE + ahead // 2 and sink.calls and not sink.troubles:
                time.shown -= ahead
            return not any(state == "waiting" for _, state in store.outbox.counts())

        await deliver(store, time, {NAME: sink}, until=set_right_once, ceiling={} if ceiling is None else {NAME: 1})
    assert sink.taken == [told(0).id, told(1).id]
    assert sum(time.slept) < 300  # with a correct clock it takes seconds, or minutes with a ceiling


@pytest.mark.parametrize("ceiling", [None, 1])
async def test_one_event_that_fails_does_not_hold_up_the_others(ceiling: int | None) -> None:
    class Picky(PlannedSink):
        async def deliver(self, messages: Sequence[Any]) -> None:
            if any(message.event.id == told(0).id for message in messages) and self.time.passed < 3_600:
                raise DOWN
            await super().deliver(messages)

    time = Time()
    picky = Picky(time)
    events = [told(number) for number in range(10)]
    with store_with(time, events) as store:
        await deliver(store, time, {NAME: picky}, ceiling={} if ceiling is None else {NAME: ceiling})
    assert sorted(picky.taken) == sorted(event.id for event in events)
    assert picky.taken[-1] == told(0).id
    *others, last = [when for when, messages in picky.calls for _ in messages]
    assert max(others) < (MINUTE if ceiling is None else 3_600)
    assert last < 3_600 + 300 + MINUTE


async def test_of_several_under_way_each_is_marked_as_it_came_out() -> None:
    time = Time()
    sink = PlannedSink(time, [None, DOWN, None], at_once=3)
    with store_with(time, [told(number) for number in range(3)]) as store:
        await deliver(store, time, {NAME: sink})
        assert [each.attempts for each in store.outbox.list()] == [1, 2, 1]
    assert sink.taken == [told(0).id, told(2).id, told(1).id]


async def test_a_sink_that_hangs_slows_no_other_and_the_station_stops_all_the_same() -> None:
    class Hanging(PlannedSink):
        async def deliver(self, messages: Sequence[Any]) -> None:
            del messages
            await asyncio.Event().wait()

    time = Time()
    hanging, brisk = Hanging(time), PlannedSink(time)
    events = [told(number) for number in range(20)]
    with store_with(time, events, ["hanging", "brisk"]) as store:
        await deliver(store, time, {"hanging": hanging, "brisk": brisk}, until=lambda: len(brisk.calls) == len(events))
        assert store.outbox.counts() == {("hanging", "waiting"): 20, ("brisk", "delivered"): 20}
    assert brisk.taken == [event.id for event in events]
    assert (hanging.stops, brisk.stops) == (1, 1)


@pytest.mark.parametrize("end", [SystemExit(0), asyncio.CancelledError(), BaseException("a panic")])
async def test_a_sink_that_would_end_more_than_itself_is_tried_again(end: BaseException) -> None:
    time = Time()
    one, other = PlannedSink(time, [end], start_troubles=[end]), PlannedSink(time)
    sentences: list[str] = []
    with store_with(time, [told(0)], (NAME, "other")) as store:
        await deliver(store, time, {NAME: one, "other": other}, tell=sentences.append)
    assert one.taken == other.taken == [told(0).id]
    assert f"it raised {type(end).__name__}" in sentences[0]


async def test_a_pause_asked_for_in_words_is_the_fault_of_the_sink_alone() -> None:
    time, sentences = Time(), list[str]()
    sink = PlannedSink(time)

    async def deliver_once(_: object) -> None:
        del sink.deliver  # from now on that of its class
        raise DeliveryError("later", "soon")  # type: ignore[arg-type] # as a header may say it

    sink.deliver = deliver_once  # type: ignore[assignment, method-assign] # for the first event
    with store_with(time, [told(0)]) as store:
        await deliver(store, time, {NAME: sink}, tell=sentences.append)
    assert sink.taken == [told(0).id]
    assert "could not convert string to float: 'soon'" in sentences[0]


async def test_a_refusal_is_final_only_where_the_other_side_lets_us_in() -> None:
    time = Time()
    sink = PlannedSink(
        time,
        [DeliveryRefusedError("wrong password")],
        frozenset({told(1).id}),
        start_troubles=[None, DeliveryRefusedError("wrong password")],
    )
    sentences: list[str] = []
    with store_with(time, [told(0), told(1)]) as store:
        await deliver(store, time, {NAME: sink}, tell=sentences.append)
        states = [(each.state, each.error) for each in store.outbox.list()]
    assert states == [("delivered", ""), ("dead", "it will not have that")]
    assert sentences == [
        "there: wrong password; closewatch keeps trying until it works",
        "there: works again",
        f"there: setup.qualified {told(1).id} was refused for good: it will not have that",
    ]


async def test_of_several_under_way_the_one_that_is_refused_is_found_by_sending_each_alone() -> None:
    time = Time()
    sink = PlannedSink(time, poison=frozenset({told(1).id}), at_once=3)
    with store_with(time, [told(number) for number in range(4)]) as store:
        await deliver(store, time, {NAME: sink})
        assert [each.state for each in store.outbox.list()] == ["delivered", "dead", "delivered", "delivered"]
    assert (sink.most, sink.sizes) == (3, [1, 1, 1])


async def test_what_is_retried_by_hand_goes_out() -> None:
    time = Time()
    sink = PlannedSink(time, poison=frozenset({told(0).id}))
    with store_with(time, [told(0)]) as store:
        await deliver(store, time, {NAME: sink})
        assert store.outbox.retry() == 1
        healed = PlannedSink(time)
        await deliver(store, time, {NAME: healed})
        (row,) = store.outbox.list()
    assert (row.state, healed.taken) == ("delivered", [told(0).id])


@pytest.mark.parametrize(("bars", "late"), [(2.9, False), (3.1, True)])
async def test_a_setup_that_leaves_too_late_says_so(bars: float, late: bool) -> None:
    time = Time()
    sink = PlannedSink(time, [DeliveryError("later", bars * QUARTER_HOUR / SECOND)])
    with store_with(time, [told(0), told(1, 0), station_event()]) as store:
        await deliver(store, time, {NAME: sink}, stale_after=3)
        kept = {each.event.kind: each.late for each in store.outbox.list()}
    sent = {message.event.kind: message.late for _, messages in sink.calls for message in messages}
    assert sent == kept == {"setup.qualified": late, "setup.withdrawn": False, "station.watching": False}


async def test_an_announcement_of_the_next_bar_is_dropped_once_that_has_closed() -> None:
    """Whatever delayed it, nobody can act on it any more. The next bar closes a quarter of an hour later."""
    setup = told(0, at=BAR_CLOSE + QUARTER_HOUR)
    quiet = Quiet(start=wall_time(15), end=wall_time(16, 20), zone="UTC")
    held_up: dict[str, dict[str, Any]] = {"down": {}, "asleep": {"quiet": {NAME: quiet}}, "for a while": {}}
    pauses = {"down": 15 * MINUTE, "asleep": 0.0, "for a while": 14 * MINUTE}
    for how, options in held_up.items():
        time = Time()
        sink = PlannedSink(time, [DeliveryError("later", pauses[how])] if pauses[how] else [])
        with store_with(time, [forming_event(setup), station_event()]) as store:
            await deliver(store, time, {NAME: sink}, **options)
            states = {each.event.kind: each.state for each in store.outbox.list()}
        arrived = [message.event.kind for _, messages in sink.calls for message in messages]
        in_time = how == "for a while"
        assert states == {
            "setup.forming": "delivered" if in_time else "dropped",
            "station.watching": "delivered",
        }, how
        assert ("setup.forming" in arrived) == in_time


async def test_quiet_hours_end_in_one_digest_and_open_positions_do_not_wait() -> None:
    time = Time(BAR_CLOSE - 30 * 60 * SECOND)  # half past three in the afternoon, UTC
    sink, awake = PlannedSink(time), PlannedSink(time)
    quiet = Quiet(start=wall_time(11), end=wall_time(11, 20), zone="America/New_York")  # 16:00 to 16:20 UTC
    sinks = [NAME, "awake"]
    with store_with(time, [told(0, at=time.shown)], sinks) as store:
        await deliver(store, time, {NAME: sink, "awake": awake}, quiet={NAME: quiet})
        time.shown = BAR_CLOSE + QUARTER_HOUR
        at_night = [told(number, of, at=time.shown) for number, of in ((1, None), (2, None), (3, 0), (4, 1))]
        say(store, at_night, sinks)
        await deliver(store, time, {NAME: sink, "awake": awake}, quiet={NAME: quiet})
        say(store, [told(5, at=time.shown)], sinks)
        await deliver(store, time, {NAME: sink, "awake": awake}, quiet={NAME: quiet})
    assert [[message.event.id for message in messages] for _, messages in sink.calls] == [
        [told(0).id],
        [told(3).id],  # it follows an event that its reader has
        [told(1).id, told(2).id, told(4).id],  # and this one follows an event still waiting here
        [told(5).id],
    ]
    assert sink.calls[1][0] == 15 * MINUTE
    # This clock advances by the 5 s for which the other sink rests, each time a thread looks for notes.
    assert sink.calls[2][0] == pytest.approx(20 * MINUTE, abs=15)
    assert awake.sizes == [1] * 6


async def test_what_must_wait_goes_out_at_its_moment_not_at_the_next_look() -> None:
    """The outbox is looked at every five seconds."""
    night = Quiet(start=wall_time(15), end=wall_time(16, 1), zone="UTC")
    for wait, quiet in ((MINUTE, {NAME: night}), (7.25, {})):
        time = Time(BAR_CLOSE + 3 * SECOND)
        sink = PlannedSink(time)
        with store_with(time, [told(0)]) as store:
            if not quiet:
                store.outbox.failed([1], BAR_CLOSE + round(wait * SECOND), "busy")
            await deliver(store, time, {NAME: sink}, quiet=quiet)
        assert [when for when, _ in sink.calls] == [wait]


async def test_a_digest_that_keeps_failing_is_taken_apart() -> None:
    class Failing(PlannedSink):
        async def deliver(self, messages: Sequence[Any]) -> None:
            tried.append(len(messages))
            raise DOWN

    time, tried = Time(), list[int]()
    quiet = Quiet(start=wall_time(15), end=wall_time(16, 1), zone="UTC")
    with store_with(time, [told(number) for number in range(3)]) as store:
        await deliver(store, time, {NAME: Failing(time)}, quiet={NAME: quiet}, until=lambda: len(tried) == 5)
    assert tried == [3, 3, 3, 1, 1]


async def test_beyond_the_ceiling_alerts_are_bundled_and_none_is_dropped() -> None:
    time = Time()
    sink = PlannedSink(time)
    events = [told(number) for number in range(250)]
    with store_with(time, events) as store:
        await deliver(store, time, {NAME: sink}, ceiling={NAME: 4})
    assert sink.sizes == [1, 1, 1, 100, 1, 1, 1, 100, 1, 1, 1, 41]
    assert sink.taken == [event.id for event in events]
    assert [when for when, _ in sink.calls] == [0] * 4 + [60] * 4 + [120] * 4


async def test_a_sink_without_digests_is_slowed_to_its_ceiling() -> None:
    time = Time()
    sink = PlannedSink(time, digests=False, at_once=200)
    with store_with(time, [told(number) for number in range(10)]) as store:
        await deliver(store, time, {NAME: sink}, ceiling={NAME: 4})
    assert [when for when, _ in sink.calls] == [0] * 4 + [60] * 4 + [120] * 2


async def test_pictures_go_where_they_are_wanted_and_hold_nothing_up() -> None:
    def draw(event: Event) -> bytes | None:
        if event.id == told(1).id:
            raise ValueError("nothing to draw")
        return event.id.encode()

    time = Time()
    seeing, blind = PlannedSink(time, wants_pictures=True), PlannedSink(time)
    with store_with(time, [told(0), told(1)], ["seeing", "blind"]) as store:
        await deliver(store, time, {"seeing": seeing, "blind": blind}, picture=draw)
    assert [message.picture for _, messages in seeing.calls for message in messages] == [told(0).id.encode(), None]
    assert [message.picture for _, messages in blind.calls for message in messages] == [None, None]


async def test_what_arrived_while_the_store_was_locked_is_not_sent_again() -> None:
    time = Time()
    sentences: list[str] = []
    events = [told(number) for number in range(5)]
    with store_with(time, events) as store:

        class Locking(PlannedSink):
            async def deliver(self, messages: Sequence[Any]) -> None:
                await super().deliver(messages)
                if len(self.calls) == 3:
                    other.execute("BEGIN IMMEDIATE")

        def tell(sentence: str) -> None:
            sentences.append(sentence)
            other.execute("ROLLBACK")

        sink = Locking(time)
        with closing(sqlite3.connect(store.database.path, isolation_level=None)) as other:
            await deliver(store, time, {NAME: sink}, tell=tell)
        assert store.outbox.counts() == {(NAME, "delivered"): 5}
    assert sink.taken == [event.id for event in events]
    (sentence,) = sentences
    assert "another program keeps the file locked" in sentence


async def test_what_waits_for_a_sink_that_is_no_longer_configured_is_reported_at_the_start() -> None:
    time, told_of = Time(), list[str]()
    with store_with(time, [told(0), told(1)], ["before", NAME]) as store:
        sink = PlannedSink(time)
        await deliver(
            store, time, {NAME: sink}, until=lambda: len(sink.taken) > 1 and bool(told_of), tell=told_of.append
        )
        (only,) = told_of
        assert only.startswith("before: 2 deliveries cannot be sent, since the configuration no longer has this sink; ")
