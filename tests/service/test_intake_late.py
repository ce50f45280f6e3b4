"""When the intake says that a feed is late, why, and when it is back."""

from __future__ import annotations

import pytest

from scanner.events import rfc3339
from scanner.service.asks import Ask, Manners
from tests.service.harbour import MINUTE, START, Harbour, Pier
from tests.service.simulated_time import SimulatedTime


@pytest.fixture
def time() -> SimulatedTime:
    return SimulatedTime(START)


async def test_where_all_that_comes_is_refused_late_says_why(time: SimulatedTime) -> None:
    pier = Pier(Harbour(time))
    pier.useless = "harbour, row 3: the high 1 is below the low 2"
    await pier.minutes(["GANNET"], 4)
    assert [event.data["reason"] for event in pier.said] == ["what came was refused: " + pier.useless]
    pier.useless = ""
    await time.run(60)
    assert [kind for kind, *_ in pier.told()] == ["feed.late", "feed.back"]


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


async def test_a_store_in_trouble_costs_no_bar_and_no_word(time: SimulatedTime) -> None:
    pier = Pier(Harbour(time))
    pier.full = True
    await pier.minutes(["GANNET"], 3)
    assert pier.noted == ["the disk is full"]
    pier.full = False
    await time.run(60)
    assert [close for _, close in pier.bars] == [START + minute * MINUTE for minute in (-1, 0, 1, 2, 3)]
    assert [kind for kind, *_ in pier.told()] == ["feed.late", "feed.back"]


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
