"""The plain reading of levels against figures computed by hand; the step is 0.01 unless another is given."""

from __future__ import annotations

from decimal import Decimal, localcontext
from typing import TYPE_CHECKING

import pytest

from tests.outside.hand_tapes import B, Change, judge, prices, quiet, quiet_at, tape_with
from tests.outside.plain_indicators import Tape
from tests.outside.plain_levels import find_levels
from tests.outside.plain_obstacles import Obstacle, obstacles
from tests.outside.plain_terms import DIGITS, Rules

if TYPE_CHECKING:
    from tests.outside.plain_levels import Entry, Levels
    from tests.outside.plain_terms import Bar


def entry(levels: Levels, style: str) -> Entry:
    found = levels.entries[style]
    assert found is not None
    return found


def obstacle(price: str, *names: str) -> Obstacle:
    return Obstacle(Decimal(price), frozenset(names))


def test_the_levels_of_the_pause() -> None:
    # B's low 101.9 is not below the doji's, 101.6, so that is the base; 0.05 · 2.02580 = 0.10129 below it is 101.49871.
    levels = judge(tape_with(), B, "long").levels
    early, on_break = entry(levels, "early"), entry(levels, "break")
    assert (early.price, on_break.price, levels.entries["average"]) == (*prices("104.1 104.51"), None)
    assert levels.stop == Decimal("101.49")
    assert (early.risk, on_break.risk) == prices("2.61 3.02")
    assert early.objectives == prices("106.71 109.32 111.93")
    assert on_break.objectives == prices("107.53 110.55 113.57")
    assert levels.exit_plan == "ride"
    # B's own high, 104.5, is the highest: ahead of the close, and broken by a break entry.
    assert (early.obstacle, early.broken) == (obstacle("104.5", "extreme"), ())
    assert (on_break.obstacle, on_break.broken) == (None, (obstacle("104.5", "extreme"),))
    assert early.room == pytest.approx(Decimal("0.4") / Decimal("2.61"))
    assert on_break.room is None


@pytest.mark.parametrize(
    ("second_drive", "stop"),
    [
        ("102.1 104.5 101.5 104.1", "101.39"),  # B's low is the base: 101.5 − 0.05 · 2.05437 = 101.39728
        ("102.1 104.5 100 104.1", "99.89"),  # 4.1 below the close, within 2 · 2.16151: 100 − 0.10808 = 99.89192
        ("102.1 104.5 99.5 104.1", "101.49"),  # 4.6, beyond 2 · 2.19723: the doji's low, 101.6 − 0.10986 = 101.49014
    ],
)
def test_the_base_of_the_stop(second_drive: str, stop: str) -> None:
    assert judge(tape_with({B: second_drive}), B, "long").levels.stop == Decimal(stop)


def test_a_coarse_step_rounds_against_the_trader_at_both_ends() -> None:
    # 104.1 goes up to 104.25, 104.5 + 0.25 is 104.75; 101.6 − 0.25 = 101.35 goes down to 101.25.
    levels = judge(tape_with(), B, "long", {"step": Decimal("0.25")}).levels
    assert (entry(levels, "early").price, entry(levels, "break").price, levels.stop) == prices("104.25 104.75 101.25")
    assert entry(levels, "early").objectives == prices("107.25 110.25 113.25")


def test_each_price_has_the_step_of_its_band() -> None:
    # 101.6 − 0.10129 goes down to a twentieth; 104.5 is beyond 104 and has steps of a fifth.
    bands = tuple((Decimal(lower), Decimal(step)) for lower, step in (("0", "0.01"), ("100", "0.05"), ("104", "0.2")))
    levels = judge(tape_with(), B, "long", {"step": bands}).levels
    assert (entry(levels, "early").price, entry(levels, "break").price, levels.stop) == prices("104.2 104.8 101.45")
    assert entry(levels, "early").objectives == prices("106.8 109.6 112.4")  # 2.75 apart: 106.95, 109.7 and 112.45


def test_each_entry_has_its_own_obstacle() -> None:
    # 104.9 and 106 stand out from six bars on either side. The break entry, 104.51, is a step above B's high.
    highs: Change = {180: "100 104.9 99 100", 200: "100 106 99 100"}
    levels = judge(tape_with(highs), B, "long").levels
    early, on_break = entry(levels, "early"), entry(levels, "break")
    assert (early.obstacle, early.broken) == (obstacle("104.9", "swing"), ())
    assert (on_break.obstacle, on_break.broken) == (obstacle("104.9", "swing"), ())
    assert early.room == pytest.approx(Decimal("0.8") / Decimal("2.61"))
    assert on_break.room == pytest.approx(Decimal("0.39") / Decimal("3.02"))


@pytest.mark.parametrize(
    ("high", "ahead", "broken"),
    [
        ("104.52", ["104.52 106"], []),  # just a step beyond the break entry of 104.51
        ("104.51", ["106"], ["104.51"]),
        ("104.11", ["106"], ["104.11"]),  # above the close
        ("104.1", ["106"], []),  # at the close
    ],
)
def test_an_obstacle_lies_a_step_beyond_the_entry(high: str, ahead: list[str], broken: list[str]) -> None:
    highs: Change = {180: f"100 {high} 99 100", 200: "100 106 99 100"}
    found = entry(judge(tape_with(highs), B, "long").levels, "break")
    assert found.obstacle == obstacle(ahead[0].split()[0], *(["swing", "extreme"] if ahead == ["106"] else ["swing"]))
    assert found.broken == tuple(obstacle(price, "swing") for price in broken)


def found_at(bars: list[Bar], session_of: list[int] | None = None) -> dict[str, Decimal]:
    """Give the highest obstacle of each name at bar B."""
    with localcontext(prec=DIGITS):
        found = obstacles(Tape(bars), B, session_of)
    return {name: each.price for each in found for name in each.names}


@pytest.mark.parametrize(
    ("other", "stands_out"),
    [
        ({}, True),
        ({194: "100 106 99 100"}, False),  # as high as one of the six before
        ({193: "100 106 99 100"}, True),
        ({206: "100 106 99 100"}, True),  # the earlier of two
        ({206: "100 106.01 99 100"}, False),
        ({207: "100 106.01 99 100"}, True),
    ],
)
def test_a_swing_high_stands_out_from_six_bars_on_either_side(other: Change, stands_out: bool) -> None:
    assert Tape(tape_with({200: "100 106 99 100"}, other)).obstacle_highs[200] == stands_out


@pytest.mark.parametrize(("bar_number", "swing"), [(B - 5, None), (B - 6, 106)])
def test_a_swing_high_is_known_six_bars_later(bar_number: int, swing: int | None) -> None:
    assert found_at(tape_with({bar_number: "100 106 99 100"})).get("swing") == swing


@pytest.mark.parametrize(("bar_number", "highest"), [(B - 249, "120"), (B - 250, "104.5")])
def test_the_highest_high_is_that_of_250_bars(bar_number: int, highest: str) -> None:
    assert found_at(tape_with({bar_number: "100 120 99 100"}))["extreme"] == Decimal(highest)


def test_the_previous_session_is_the_last_one_with_bars() -> None:
    bars = tape_with({240: "100 103 99 100", 230: "100 105 99 100"})
    sessions = [0] * 235 + [1] * 10 + [3] * 7  # session 2 has no bars
    assert found_at(bars, sessions)["session"] == 103
    assert "session" not in found_at(bars, [0] * len(bars))
    assert "session" not in found_at(bars)


def test_below_the_averages() -> None:
    # 20 of the last 50 closes were at 120: SMA 50 = 100 + (20·20 + 8.2) / 50 = 108.164, SMA 200 = 102.041.
    # 60 more of the last 200 at 120 make that 108.041. The two jumps of the true range to 21 have left 0.194 in the
    # ATR, so that the stop is 101.6 − 0.05 · 2.220 = 101.489.
    above = quiet_at("120", 202, 222)
    levels = judge(tape_with(above), B, "long").levels
    average = entry(levels, "average")
    assert (average.price, levels.stop) == prices("108.17 101.48")
    assert average.objectives == prices("114.86 121.55 128.24")
    assert (average.obstacle, levels.exit_plan) == (obstacle("121", "swing", "extreme"), "ride")
    assert average.broken == (obstacle("108.16", "fast"),)
    levels = judge(tape_with(above, quiet_at("120", 60, 120)), B, "long").levels
    assert levels.exit_plan == "quick"
    assert entry(levels, "break").obstacle == obstacle("108.04", "slow")
    assert entry(levels, "average").broken == (obstacle("108.04", "slow"), obstacle("108.16", "fast"))
    assert entry(levels, "average").room == pytest.approx(Decimal("12.83") / Decimal("6.69"))


def test_without_risk_there_is_no_plan() -> None:
    tape = Tape([quiet(number) for number in range(B + 1)])
    with localcontext(prec=DIGITS):
        levels = find_levels(tape, B, trigger=Decimal(101), base=Decimal("101.2"), rules=Rules())
    assert (levels.stop, entry(levels, "early").risk) == prices("101.1 -1.1")
    assert (entry(levels, "early").objectives, entry(levels, "early").room) == ((), None)
