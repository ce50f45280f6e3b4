"""The intake on bad days: it asks again, reports once, keeps to the limits, and one trouble hides no other."""

from __future__ import annotations

import asyncio
from collections import Counter
from typing import TYPE_CHECKING

import numpy as np
import pytest

from scanner.ports import Answer, FeedLimits, FeedTroubleError, Want
from tests.service.harbour import MINUTE, START, Harbour, Pier, at_rest, opened
from tests.service.simulated_time import SimulatedTime

if TYPE_CHECKING:
    from collections.abc import Sequence


@pytest.fixture
def time() -> SimulatedTime:
    return SimulatedTime(START)


async def test_a_bar_that_is_there_is_asked_for_once(time: SimulatedTime) -> None:
    pier = Pier(Harbour(time))
    await pier.minutes(["GANNET", "FULMAR"], 3)
    await pier.intake.stop()
    assert pier.feed.times("GANNET") == [0, 60, 120]
    assert Counter(name for name, _ in pier.bars) == {"GANNET": 4, "FULMAR": 4}  # and the one before the first
    assert (pier.said, pier.noted, pier.intake.late) == ([], [], None)


async def test_a_missing_bar_is_asked_for_with_growing_pauses_until_it_comes(time: SimulatedTime) -> None:
    pier = Pier(Harbour(time, delay=20))
    pier.last["GANNET"] = START - MINUTE
    pier.ask(["GANNET"])
    await time.run(100)
    pauses = np.diff(pier.feed.times("GANNET"))
    assert np.round(pauses).tolist() == [1, 2, 4, 8, 16]
    assert [close for _, close in pier.bars] == [START]
    assert pier.said == []


async def test_a_partial_answer_is_continued_without_a_pause(time: SimulatedTime) -> None:
    """A feed that gives two bars at a time is asked from where there is enough history, then from each last bar."""
    asked: list[tuple[str, int | None, int | None]] = []

    def two_bars(want: Want) -> list[Answer]:
        asked.append((want.symbol, want.since, want.enough_from))
        first = (want.since if want.since is not None else want.enough_from or 0) + MINUTE
        return [Answer(want, opened(close)) for close in (first, first + MINUTE) if close <= time.now()]

    pier = Pier(Harbour(time, plan=two_bars), FeedLimits(requests_per_minute=60))
    pier.ask(["GANNET", "FULMAR"])
    await time.run(60)
    history = [START + minute * MINUTE for minute in range(-4, 1)]
    assert [close for name, close in pier.bars if name == "GANNET"] == history
    enough = START - 5 * MINUTE
    since = [None, *range(START - 4 * MINUTE, START - MINUTE, MINUTE)]
    assert [each[1:] for each in asked if each[0] == "GANNET"] == [
        (begin, enough if begin is None else None) for begin in since
    ]
    assert np.diff([moment for moment, _ in pier.feed.asked]).min() >= 1  # within the limits all the same
    assert pier.noted == []


async def test_a_feed_that_gives_a_bar_at_a_time_is_not_hammered(time: SimulatedTime) -> None:
    def one_bar(want: Want) -> list[Answer]:
        begin = START - 300 * MINUTE if want.since is None else want.since + MINUTE
        return [Answer(want, opened(begin + MINUTE))]

    pier = Pier(Harbour(time, plan=one_bar))
    pier.ask(["AUK"])
    await time.run(60)
    assert pier.intake.going_on == {"AUK"}
    times = pier.feed.times("AUK")
    assert times.count(0) == 20
    assert np.diff(times[20:]).min() >= 0.25
    await time.run(60)
    assert pier.last["AUK"] == START
    assert pier.intake.going_on == frozenset()


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
    refusing = True
    pier.ask(names)
    await time.run(60)
    assert pier.noted == ["harbour: the gate is shut; look at the gate"] * 2


async def test_refused_instruments_come_last_and_delay_no_other(time: SimulatedTime) -> None:
    def plan(want: Want) -> None:
        if want.symbol.startswith("AUK"):
            raise FeedTroubleError(f"harbour knows no {want.symbol}; check symbol")

    names = [f"AUK{number}" for number in range(10)] + [f"TERN{number}" for number in range(10)]
    pier = Pier(Harbour(time, plan=plan), FeedLimits(at_once=1))
    await pier.minutes(names, 12)
    # Once they are known, all others have their bars at the moment of the close.
    for name in names[10:]:
        assert pier.feed.times(name)[-1] == 660
        assert pier.last[name] == START + 11 * MINUTE
    assert max(Counter(pier.noted).values()) == 1
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
    pier = Pier(Harbour(time), FeedLimits(answer_within=0.01))
    fetch, hung = pier.feed.fetch, asyncio.Event()

    async def hanging(wants: Sequence[Want]) -> list[Answer]:
        if not hung.is_set():
            hung.set()
            await never.wait()
        return await fetch(wants)

    pier.feed.fetch = hanging  # type: ignore[method-assign] # a feed of this test alone
    pier.ask(["GANNET"])
    await pier.is_noted.wait()
    assert pier.noted == ["the feed harbour gave no answer within 0.01 s"]
    await time.run(2)
    assert pier.last == {"GANNET": START}


async def test_troubles_that_take_turns_are_passed_on_once_each_and_again_after_they_were_over(
    time: SimulatedTime,
) -> None:
    """Such as files of a folder that are not there: each instrument has its own sentence."""
    missing = True

    def plan(want: Want) -> None:
        if missing:
            raise FeedTroubleError(f"harbour: there is no {want.symbol}")

    pier = Pier(Harbour(time, plan=plan))
    every = [f"harbour: there is no {name}" for name in ("AUK", "GANNET", "TERN")]
    pier.ask(["AUK", "GANNET", "TERN"])
    await time.run(300)
    assert sorted(pier.noted) == every
    missing = False
    await time.run(300)
    missing = True
    pier.ask(["AUK", "GANNET", "TERN"])
    await time.run(300)
    assert sorted(pier.noted[3:]) == every


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
    assert pier.noted == [
        "the adapter of the feed harbour failed: ValueError: no digits",
        f"its adapter answered a want that it was not asked, {stranger}",
        "its adapter gave a str instead of RawBars",
    ]


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
    pier = Pier(Harbour(time, batch=3, takes=5), FeedLimits(at_once=2, requests_per_minute=30))
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
    pier = Pier(Harbour(time, delay=5), FeedLimits(requests_per_minute=60))
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


async def test_the_feed_is_asked_even_if_the_bar_is_there(time: SimulatedTime) -> None:
    pier = Pier(Harbour(time))
    pier.ask(["GANNET"])
    await time.run(1)
    pier.ask(["GANNET"])
    await pier.intake.first_round()
    await at_rest(pier.intake)
    assert pier.feed.times("GANNET") == [0, 1]


async def test_doubtful_bars_are_asked_for_again_at_once_and_then_with_the_next_request(
    time: SimulatedTime,
) -> None:
    asked: list[tuple[float, int | None]] = []

    def plan(want: Want) -> None:
        asked.append((time.passed, want.since))

    pier = Pier(Harbour(time, plan=plan))
    pier.last["GANNET"] = START - MINUTE
    pier.look_again["GANNET"] = START - 30 * MINUTE  # whatever comes
    await pier.minutes(["GANNET"], 2)
    long_ago = START - 30 * MINUTE
    assert asked == [(0, START - 2 * MINUTE), (0, long_ago), (60, long_ago), (60, long_ago)]
    await pier.intake.stop()


@pytest.mark.parametrize("end", [SystemExit(0), asyncio.CancelledError()])
async def test_a_feed_that_would_end_more_than_itself_is_asked_again(time: SimulatedTime, end: BaseException) -> None:
    ends = [end]

    def plan(_: Want) -> list[Answer] | None:
        if ends:
            raise ends.pop()
        return None

    pier = Pier(Harbour(time, plan=plan))
    pier.ask(["GANNET"])
    await time.run(60)
    assert pier.last == {"GANNET": START}
    (note,) = pier.noted
    assert f"it raised {type(end).__name__}" in note
