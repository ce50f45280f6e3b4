"""The intake on bad days: it asks again, tells once, keeps to the limits, and one trouble hides no other."""

from __future__ import annotations

import asyncio
from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import pytest

from scanner.clocks import SECOND
from scanner.events import rfc3339
from scanner.market.bars import RawBars
from scanner.ports import Answer, FeedTroubleError, Want
from scanner.service.intake import Ask, Intake, Manners
from scanner.service.store import StoreTroubleError
from tests.service.simulated_time import SimulatedTime

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from scanner.events import Event
    from scanner.service.desk import Arrival

MINUTE = 60 * SECOND
START = 1_760_000_040 * SECOND
"""The close that is waited for first."""


def opened(close: int) -> RawBars:
    """Invent the bar of a minute that closes then."""
    price = np.full(1, 100.0)
    return RawBars(np.array([close - MINUTE]), price, price, price, price, price, np.zeros(1, np.int64), "harbour")


@dataclass
class Harbour:
    """A feed that has each bar ``delay`` seconds after its close, or as ``plan`` says for a want."""

    time: SimulatedTime
    batch: int = 1
    delay: float = 0.0
    takes: float = 0.0
    plan: Callable[[Want], list[Answer] | None] = lambda _: None
    asked: list[tuple[float, list[str]]] = field(default_factory=list)
    under_way: int = 0
    most: int = 0
    arrived: asyncio.Event | None = None

    async def start(self) -> None: ...

    async def stop(self) -> None: ...

    async def fetch(self, wants: Sequence[Want]) -> list[Answer]:
        self.asked.append((self.time.passed, [want.symbol for want in wants]))
        self.under_way += 1
        self.most = max(self.most, self.under_way)
        try:
            if self.takes:
                await self.time.sleep(self.takes)
            return [answer for want in wants for answer in self.answers(want)]
        finally:
            self.under_way -= 1

    def answers(self, want: Want) -> list[Answer]:
        planned = self.plan(want)
        if planned is not None:
            return planned
        ready = self.time.now() - round(self.delay * SECOND)
        first = START - MINUTE if want.since is None else want.since + MINUTE
        return [Answer(want, opened(close)) for close in range(first, ready + 1, MINUTE)]

    def times(self, symbol: str) -> list[float]:
        return [moment for moment, symbols in self.asked if symbol in symbols]


class Pier:
    """An intake with all that is around it: a desk that takes every bar once, in order, and a list of what is said."""

    def __init__(self, feed: Harbour, manners: Manners | None = None, answer_within: float = 30.0) -> None:
        self.time, self.feed = feed.time, feed
        self.last: dict[str, int] = {}
        self.bars: list[tuple[str, int]] = []
        self.said: list[Event] = []
        self.noted: list[str] = []
        self.full = False
        self.intake = Intake(
            "harbour",
            feed,
            manners or Manners(),
            clock=feed.time,
            chance=lambda: 0.999,
            take=self.take,
            say=self.say,
            since=lambda name: self.last[name] - MINUTE if name in self.last else None,
            last_close=self.last.get,
            note=self.noted.append,
            answer_within=answer_within,
        )

    async def take(self, arrivals: Sequence[Arrival]) -> int:
        if self.full:
            raise StoreTroubleError("the disk is full")
        new = 0
        for arrival in arrivals:
            for close in (arrival.raw.stamp + MINUTE).tolist():
                if close > self.last.get(arrival.instrument, 0):
                    self.last[arrival.instrument] = close
                    self.bars.append((arrival.instrument, close))
                    new += 1
        return new

    async def say(self, event: Event) -> None:
        if self.full:
            raise StoreTroubleError("the disk is full")
        self.said.append(event)

    def ask(self, names: Sequence[str], minute: int = 0) -> None:
        self.intake.ask([Ask(name, name, "1m", START + minute * MINUTE) for name in names])

    async def minutes(self, names: Sequence[str], count: int) -> None:
        """Let minutes pass, and ask for the bar of each as it closes."""
        for minute in range(count):
            self.ask(names, minute)
            await self.time.run(60)

    def told(self) -> list[tuple[str, list[str], int]]:
        return [(event.kind, event.data["series"], event.data["caught_up"]) for event in self.said]


@pytest.fixture
def time() -> SimulatedTime:
    return SimulatedTime(START)


async def test_a_bar_that_is_there_is_asked_for_once(time: SimulatedTime) -> None:
    pier = Pier(Harbour(time))
    await pier.minutes(["GANNET", "FULMAR"], 3)
    await pier.intake.stop()
    assert pier.feed.times("GANNET") == [0, 60, 120]
    assert Counter(name for name, _ in pier.bars) == {"GANNET": 4, "FULMAR": 4}  # and the one before the first
    assert (pier.said, pier.noted, pier.intake.lacking()) == ([], [], [])


async def test_a_bar_that_is_not_there_is_asked_for_with_growing_pauses_until_it_comes(time: SimulatedTime) -> None:
    pier = Pier(Harbour(time, delay=20))
    pier.ask(["GANNET"])
    await time.run(100)
    pauses = np.diff(pier.feed.times("GANNET"))
    assert np.round(pauses).tolist() == [1, 2, 4, 8, 16]
    assert [close for _, close in pier.bars] == [START - MINUTE, START]
    assert pier.said == []


async def test_a_feed_that_is_late_is_said_once_and_back_with_what_it_brought(time: SimulatedTime) -> None:
    dead = True
    pier = Pier(Harbour(time, plan=lambda _: [] if dead else None))
    pier.last |= dict.fromkeys(["GANNET", "FULMAR"], START - MINUTE)
    # The bars close more often than the patience lasts.
    await pier.minutes(["GANNET", "FULMAR"], 10)
    assert pier.told() == [("feed.late", ["FULMAR", "GANNET"], 0)]
    late = pier.said[0]
    assert (late.time, late.data["since"], late.thread) == (START, rfc3339(START), late.id)
    dead = False
    await time.run(60)
    assert pier.told()[1:] == [("feed.back", ["FULMAR", "GANNET"], 2 * 11)]
    assert pier.said[1].thread == late.id
    assert pier.intake.late is None
    closes = [START + minute * MINUTE for minute in range(11)]
    assert [close for name, close in pier.bars if name == "GANNET"] == closes


async def test_one_that_seldom_trades_hides_not_that_the_others_fall_silent(time: SimulatedTime) -> None:
    silent = {"AUK"}
    pier = Pier(Harbour(time, plan=lambda want: [] if want.symbol in silent else None))
    pier.last |= dict.fromkeys(["AUK", "GANNET", "FULMAR"], START - MINUTE)
    for minute in range(10):
        if minute == 5:
            silent |= {"GANNET", "FULMAR"}
        pier.ask(["AUK", "GANNET", "FULMAR"], minute)
        await time.run(60)
    assert pier.told() == [("feed.late", ["AUK"], 0), ("feed.late", ["FULMAR", "GANNET"], 0)]
    assert len({event.id for event in pier.said}) == 2
    silent.clear()
    await time.run(60)
    assert pier.told()[2:] == [("feed.back", ["AUK", "FULMAR", "GANNET"], 11 + 2 * 6)]
    await pier.intake.stop()


async def test_an_instrument_without_a_bar_delays_no_other_at_the_next_close(time: SimulatedTime) -> None:
    pier = Pier(Harbour(time, plan=lambda want: [] if want.symbol == "AUK" else None))
    await pier.minutes(["AUK", "GANNET"], 30)
    assert pier.feed.times("GANNET") == [60 * minute for minute in range(30)]
    await pier.intake.stop()


async def test_a_feed_that_refuses_is_not_hammered_and_its_words_are_passed_on_once(time: SimulatedTime) -> None:
    refusing = True

    def plan(_: Want) -> None:
        if refusing:
            raise FeedTroubleError("harbour: the gate is shut; look at the gate")

    names = [f"TERN{number}" for number in range(200)]
    pier = Pier(Harbour(time, plan=plan))
    pier.ask(names)
    await time.run(300)
    assert pier.noted == ["harbour: the gate is shut; look at the gate"]
    (late,) = pier.said
    assert late.data["reason"] == "harbour: the gate is shut; look at the gate"
    assert late.data["series"] == [*sorted(names)[:20], "and 180 more"]
    assert len(pier.feed.asked) < 40  # not 200 for each of the rounds
    refusing = False
    await time.run(600)
    assert set(pier.last) == set(names)
    assert pier.told()[1][0] == "feed.back"


async def test_refused_instruments_come_last_and_keep_no_other_waiting(time: SimulatedTime) -> None:
    def plan(want: Want) -> None:
        if want.symbol.startswith("AUK"):
            raise FeedTroubleError(f"harbour knows no {want.symbol}; check symbol")

    names = [f"AUK{number}" for number in range(10)] + [f"TERN{number}" for number in range(10)]
    pier = Pier(Harbour(time, plan=plan), Manners(at_once=1))
    await pier.minutes(names, 12)
    # Once they are known, all others have their bars in the moment of the close.
    for name in names[10:]:
        assert pier.feed.times(name)[-1] == 660
        assert pier.last[name] == START + 11 * MINUTE
    await pier.intake.stop()


async def test_a_feed_that_asks_to_be_left_alone_is(time: SimulatedTime) -> None:
    def plan(_: Want) -> None:
        if time.passed < 90:
            raise FeedTroubleError("harbour: too many questions", retry_after=90 - time.passed)

    pier = Pier(Harbour(time, plan=plan))
    await pier.minutes(["GANNET", "FULMAR"], 3)
    before = [moment for moment, _ in pier.feed.asked if 0 < moment < 90]
    assert before == []
    assert pier.last == dict.fromkeys(["GANNET", "FULMAR"], START + 2 * MINUTE)
    assert pier.said == []


async def test_a_feed_that_hangs_is_given_up_and_asked_again(time: SimulatedTime) -> None:
    never = asyncio.Event()
    pier = Pier(Harbour(time), answer_within=0.01)
    fetch, hung = pier.feed.fetch, asyncio.Event()

    async def hanging(wants: Sequence[Want]) -> list[Answer]:
        if not hung.is_set():
            hung.set()
            await never.wait()
        return await fetch(wants)

    pier.feed.fetch = hanging  # type: ignore[method-assign] # a feed of this test alone
    noted = asyncio.get_running_loop().create_future()
    pier.intake.note = noted.set_result
    pier.ask(["GANNET"])
    assert await noted == "the feed harbour gave no answer within 0.01 s"
    await time.run(2)
    assert pier.last == {"GANNET": START}


async def test_rubbish_ends_nothing(time: SimulatedTime) -> None:
    stranger = Want("PUFFIN", "1m", None)
    rubbish: list[object] = [ValueError("no digits"), [Answer(stranger, opened(START))], [], "none", None]

    def plan(want: Want) -> list[Answer] | None:
        if not rubbish:
            return None
        answer = rubbish.pop(0)
        if isinstance(answer, Exception):
            raise answer
        return [Answer(want, answer)] if isinstance(answer, str) else answer  # type: ignore[arg-type, return-value] # rubbish

    pier = Pier(Harbour(time, plan=plan))
    pier.ask(["GANNET"])
    await time.run(60)
    assert pier.last == {"GANNET": START}
    assert pier.noted[0] == "the adapter of the feed harbour failed: ValueError: no digits"
    assert all(
        note.startswith(("the adapter of the feed harbour", "what the feed harbour sent")) for note in pier.noted
    )


async def test_yesterdays_answer_and_one_given_twice_bring_nothing_new(time: SimulatedTime) -> None:
    def plan(want: Want) -> list[Answer] | None:
        if want.symbol == "YESTERDAY":
            return [Answer(want, opened(START - 1_440 * MINUTE))]
        return [Answer(want, opened(START))] * 2

    pier = Pier(Harbour(time, plan=plan))
    pier.last |= {"YESTERDAY": START - MINUTE, "TWICE": START - MINUTE}
    pier.ask(["YESTERDAY", "TWICE"])
    await time.run(200)
    assert pier.bars == [("TWICE", START)]
    assert pier.told() == [("feed.late", ["YESTERDAY"], 0)]
    await pier.intake.stop()


async def test_the_limits_of_a_feed_are_kept_to(time: SimulatedTime) -> None:
    pier = Pier(Harbour(time, batch=3, takes=5), Manners(at_once=2, requests_per_minute=30))
    names = [f"TERN{number}" for number in range(20)]
    pier.ask(names)
    await time.run(110)
    assert [len(symbols) for _, symbols in pier.feed.asked] == [3] * 6 + [2]
    assert pier.feed.most == 2
    assert min(np.diff([moment for moment, _ in pier.feed.asked])) >= 2
    assert set(pier.last) == set(names)


async def test_one_slow_feed_delays_no_other(time: SimulatedTime) -> None:
    slow, quick = Pier(Harbour(time, takes=25)), Pier(Harbour(time))
    for minute in range(5):
        slow.ask(["GANNET", "FULMAR"], minute)
        quick.ask(["AUK"], minute)
        await time.run(60)
    assert quick.feed.times("AUK") == [0, 60, 120, 180, 240]
    assert quick.last == {"AUK": START + 4 * MINUTE}


async def test_a_clock_set_back_or_forward_neither_stalls_nor_repeats(time: SimulatedTime) -> None:
    pier = Pier(Harbour(time, delay=5), Manners(requests_per_minute=60))
    pier.ask(["GANNET", "FULMAR"])
    await time.run(2)
    time.wall = -60 * MINUTE
    await time.run(30)
    time.wall = 0
    await time.run(30)
    pier.ask(["GANNET", "FULMAR"], 0)  # the same close again
    await time.run(60)
    once = [(name, START - back * MINUTE) for name in ("GANNET", "FULMAR") for back in (0, 1)]
    assert Counter(pier.bars) == Counter(once)
    assert pier.said == []


async def test_a_store_in_trouble_costs_no_bar_and_no_word(time: SimulatedTime) -> None:
    pier = Pier(Harbour(time))
    pier.full = True
    await pier.minutes(["GANNET"], 3)
    assert pier.noted == ["the disk is full"]
    pier.full = False
    await time.run(60)
    assert [close for _, close in pier.bars] == [START + minute * MINUTE for minute in (-1, 0, 1, 2, 3)]
    assert [kind for kind, *_ in pier.told()] == ["feed.late", "feed.back"]


async def test_an_ask_is_put_to_the_feed_even_if_the_bar_is_there(time: SimulatedTime) -> None:
    pier = Pier(Harbour(time))
    pier.ask(["GANNET"])
    await time.run(1)
    pier.ask(["GANNET"])
    await pier.intake.first_round()
    await pier.intake.rest()
    assert pier.feed.times("GANNET") == [0, 1]


async def test_what_could_not_be_asked_for_yet_is_not_called_late(time: SimulatedTime) -> None:
    pier = Pier(Harbour(time), Manners(requests_per_minute=12, patience=20))
    names = [f"TERN{number}" for number in range(50)]
    pier.ask(names)
    await time.run(300)
    assert set(pier.last) == set(names)
    assert pier.said == []


async def test_where_no_bar_has_closed_none_is_missing(time: SimulatedTime) -> None:
    pier = Pier(Harbour(time, plan=lambda _: []))
    pier.intake.ask([Ask("GANNET", "GANNET", "1m", 0)])
    await time.run(1_000)
    assert pier.said == []
    await pier.intake.stop()
