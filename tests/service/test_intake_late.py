"""When the intake says that a feed is late, why, and when it is back."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from scanner.events import rfc3339
from scanner.ports import Answer, FeedLimits
from scanner.service.intake.lateness import LateWatch
from scanner.service.intake.requests import Ask
from tests.service.harbour import MINUTE, START, Harbour, Pier, opened
from tests.service.simulated_time import SimulatedTime

if TYPE_CHECKING:
    from scanner.ports import Want


@pytest.fixture
def time() -> SimulatedTime:
    return SimulatedTime(START)


async def test_if_all_rows_are_refused_the_late_event_says_why(time: SimulatedTime) -> None:
    pier = Pier(Harbour(time))
    pier.useless = "harbour, row 3: the high 1 is below the low 2"
    await pier.minutes(["GANNET"], 4)
    assert [event.data["reason"] for event in pier.said] == ["the rows that came were refused: " + pier.useless]
    pier.useless = ""
    await time.run(60)
    assert [kind for kind, *_ in pier.told()] == ["feed.late", "feed.back"]


async def test_a_late_feed_is_reported_once_and_back_with_the_bars_it_brought(time: SimulatedTime) -> None:
    dead = True
    pier = Pier(Harbour(time, plan=lambda _: [] if dead else None))
    pier.last |= dict.fromkeys(["GANNET", "FULMAR"], START - MINUTE)
    # The bars close at shorter intervals than the patience.
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


async def test_an_instrument_that_seldom_trades_does_not_hide_that_others_fall_silent(time: SimulatedTime) -> None:
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


async def test_a_store_in_trouble_loses_no_bar_and_no_event(time: SimulatedTime) -> None:
    pier = Pier(Harbour(time))
    pier.full = True
    await pier.minutes(["GANNET"], 3)
    assert pier.noted == ["the disk is full"]
    pier.full = False
    await time.run(60)
    assert [close for _, close in pier.bars] == [START + minute * MINUTE for minute in (-1, 0, 1, 2, 3)]
    assert [kind for kind, *_ in pier.told()] == ["feed.late", "feed.back"]


@pytest.mark.parametrize(("count", "more"), [(20, []), (21, ["and 1 more"])])
def test_a_late_event_names_twenty_series_and_the_earliest_close_that_is_missing(count: int, more: list[str]) -> None:
    lacking = {f"BUOY{number:02}": START + number * MINUTE for number in range(count)}
    no_desk: Any = None  # only asked whether a feed is back
    (event,) = LateWatch("tape", no_desk).late(lacking, "")
    assert event.data["series"] == [*lacking][:20] + more
    assert (event.time, event.data["since"]) == (START, rfc3339(START))


async def test_bars_not_asked_for_yet_are_not_late_for_a_while(time: SimulatedTime) -> None:
    names = [f"TERN{number}" for number in range(50)]
    pier = Pier(Harbour(time), FeedLimits(requests_per_minute=12, patience=60))
    pier.ask(names)
    await time.run(300)
    assert set(pier.last) == set(names)
    assert pier.said == []


async def test_bars_that_can_never_be_asked_for_in_time_are_late_with_the_reason(time: SimulatedTime) -> None:
    names = [f"TERN{number}" for number in range(50)]
    pier = Pier(Harbour(time), FeedLimits(requests_per_minute=12, patience=20))
    pier.ask(names)
    await time.run(300)
    assert [kind for kind, *_ in pier.told()] == ["feed.late", "feed.back"]
    assert pier.said[0].data["reason"] == (
        "there was no time to ask for the bars; raise requests_per_minute or at_once, or list fewer instruments"
    )


async def test_a_history_still_coming_is_not_late_and_hides_no_late_instrument(time: SimulatedTime) -> None:
    """AUK has a long history, one bar in each answer; FULMAR is silent."""

    def plan(want: Want) -> list[Answer] | None:
        if want.symbol == "FULMAR":
            return []
        begin = START - 700 * MINUTE if want.since is None else want.since + MINUTE
        return [Answer(want, opened(begin + MINUTE))]

    pier = Pier(Harbour(time, plan=plan), FeedLimits(requests_per_minute=60))
    await pier.minutes(["AUK", "FULMAR"], 10)
    assert pier.last["AUK"] < START
    assert pier.told() == [("feed.late", ["FULMAR"], 0)]
    await pier.minutes(["AUK"], 5)
    assert pier.last["AUK"] >= START
    await pier.intake.stop()


async def test_where_no_bar_has_closed_none_is_missing(time: SimulatedTime) -> None:
    pier = Pier(Harbour(time, plan=lambda _: []))
    pier.intake.ask([Ask("GANNET", "GANNET", "1m", 0)])
    await time.run(1_000)
    assert pier.said == []
    await pier.intake.stop()


async def test_after_a_clock_that_was_ahead_the_feed_is_back_and_a_real_outage_is_told(time: SimulatedTime) -> None:
    """For 45 s the clock is two hours ahead; two minutes later the feed falls silent for three minutes."""
    dead = False

    def by_its_own_clock(want: Want) -> list[Answer]:
        now = time.now() - time.wall
        begin = START - MINUTE if want.since is None else want.since + MINUTE
        return [] if dead else [Answer(want, opened(close)) for close in range(begin, now + 1, MINUTE)]

    pier = Pier(Harbour(time, plan=by_its_own_clock), FeedLimits(patience=30))
    pier.ask(["GANNET"])
    await time.run(5)
    time.wall = 120 * MINUTE
    pier.ask(["GANNET"], 120)
    await time.run(45)
    assert pier.told() == [("feed.late", ["GANNET"], 0)]
    time.wall = 0
    pier.ask(["GANNET"], 0)
    await time.run(1)
    assert [kind for kind, *_ in pier.told()] == ["feed.late", "feed.back"]
    await time.run(9)
    for minute in range(1, 9):
        dead = 3 <= minute < 6
        pier.ask(["GANNET"], minute)
        await time.run(60)
    assert [kind for kind, *_ in pier.told()] == ["feed.late", "feed.back"] * 2
    assert pier.said[2].time == START + 3 * MINUTE
    assert [close for _, close in pier.bars] == [START + minute * MINUTE for minute in range(-1, 9)]


async def test_a_close_missed_again_is_reported_again(time: SimulatedTime) -> None:
    """A clock that was ahead showed a close; when that close really comes, the feed falls silent."""
    silent = True
    pier = Pier(Harbour(time, plan=lambda _: [] if silent else None), FeedLimits(patience=30))
    pier.last["GANNET"] = START
    pier.ask(["GANNET"], 10)
    await time.run(40)
    silent = False
    pier.ask(["GANNET"], 0)
    await time.run(560)
    silent = True
    pier.ask(["GANNET"], 10)
    await time.run(40)
    assert [kind for kind, *_ in pier.told()] == ["feed.late", "feed.back", "feed.late"]
    assert pier.said[0].data["since"] == pier.said[2].data["since"]
    assert len({event.id for event in pier.said}) == 3
    await pier.intake.stop()


async def test_a_close_that_only_a_clock_ahead_showed_is_not_missed(time: SimulatedTime) -> None:
    pier = Pier(Harbour(time, plan=lambda _: []), FeedLimits(patience=30))
    pier.last["GANNET"] = START
    pier.ask(["GANNET"], 120)
    await time.run(10)
    pier.ask(["GANNET"], 0)
    await time.run(50)
    assert pier.said == []
    await pier.intake.stop()
