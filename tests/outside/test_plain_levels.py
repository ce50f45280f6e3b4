"""The plain reading of levels against figures worked out by hand, with a step of 0.01 unless it is said."""

from __future__ import annotations

from decimal import Decimal

import pytest

from tests.outside.hand_tapes import B, Change, prices, quiet_at, tape_with
from tests.outside.plain_reading import judge


def test_the_levels_of_the_pause() -> None:
    # B's low 101.9 is not below the doji's, 101.6, so that is the base; 0.05 · 2.02580 = 0.10129 below it is 101.49871.
    levels = judge(tape_with(), B, "long").levels
    assert levels.entries == {"early": Decimal("104.1"), "break": Decimal("104.51"), "average": None}
    assert levels.stop == Decimal("101.49")
    assert levels.risk == {"early": Decimal("2.61"), "break": Decimal("3.02")}
    assert levels.objectives == {"early": prices("106.71 109.32 111.93"), "break": prices("107.53 110.55 113.57")}
    assert (levels.obstacle, levels.room, levels.exit_plan) == (None, {"early": None, "break": None}, "ride")


@pytest.mark.parametrize(
    ("second_drive", "stop"),
    [
        ("102.1 104.5 101.5 104.1", "101.39"),  # B's low is the base: 101.5 − 0.05 · 2.05437 = 101.39728
        ("102.1 104.5 100 104.1", "99.89"),  # 4.1 below the close, within 2 · 2.16151: 100 − 0.10808 = 99.89192
        ("102.1 104.5 99.5 104.1", "101.49"),  # 4.6, beyond 2 · 2.19723: the doji's low, 101.6 − 0.10986 = 101.49014
    ],
)
def test_what_the_stop_lies_under(second_drive: str, stop: str) -> None:
    assert judge(tape_with({B: second_drive}), B, "long").levels.stop == Decimal(stop)


def test_a_coarse_step_rounds_against_the_trader_at_both_ends() -> None:
    # 104.1 goes up to 104.25, 104.5 + 0.25 is 104.75; 101.6 − 0.25 = 101.35 goes down to 101.25.
    levels = judge(tape_with(), B, "long", {"step": Decimal("0.25")}).levels
    assert (levels.entries["early"], levels.entries["break"], levels.stop) == prices("104.25 104.75 101.25")
    assert levels.objectives["early"] == prices("107.25 110.25 113.25")


def test_each_price_has_the_step_of_its_band() -> None:
    # 101.6 − 0.10129 goes down to a twentieth; 104.5 is beyond 104 and has steps of a fifth.
    bands = tuple((Decimal(lower), Decimal(step)) for lower, step in (("0", "0.01"), ("100", "0.05"), ("104", "0.2")))
    levels = judge(tape_with(), B, "long", {"step": bands}).levels
    assert (levels.entries["early"], levels.entries["break"], levels.stop) == prices("104.2 104.8 101.45")
    assert levels.objectives["early"] == prices("106.8 109.6 112.4")  # 2.75 apart: 106.95, 109.7 and 112.45


def test_an_obstacle_is_a_price_that_stopped_the_market_twice() -> None:
    # Highs of 106 and 106.5 are within half an ATR of each other; 104.9 stands alone. R is 2.61, on a break 3.02.
    highs: Change = {180: "100 104.9 99 100", 200: "100 106 99 100", 210: "100 106.5 99 100"}
    levels = judge(tape_with(highs), B, "long").levels
    assert (levels.obstacle, levels.stop) == prices("106 101.49")
    assert levels.room == {
        "early": pytest.approx(Decimal("1.9") / Decimal("2.61")),
        "break": pytest.approx(Decimal("1.49") / Decimal("3.02")),
    }


def test_below_the_averages() -> None:
    # 20 of the last 50 closes were at 120: SMA 50 = 100 + (20·20 + 8.2) / 50 = 108.164, SMA 200 = 102.041.
    # 60 more of the last 200 at 120 make that 108.041. The two jumps of the true range to 21 have left 0.194 in the
    # ATR, so that the stop is 101.6 − 0.05 · 2.220 = 101.489.
    above = quiet_at("120", 202, 222)
    levels = judge(tape_with(above), B, "long").levels
    assert (levels.entries["average"], levels.stop) == prices("108.17 101.48")
    assert levels.objectives["average"] == prices("114.86 121.55 128.24")
    assert (levels.obstacle, levels.exit_plan) == (None, "ride")
    levels = judge(tape_with(above, quiet_at("120", 60, 120)), B, "long").levels
    assert (levels.obstacle, levels.exit_plan) == (Decimal("108.04"), "quick")
    assert levels.room["average"] == pytest.approx(Decimal("-0.13") / Decimal("6.69"))


def test_no_risk_is_no_plan() -> None:
    # B closes below the doji's low and more than 2 ATR above its own: the stop lies above the close.
    levels = judge(tape_with({B: "102.1 102.2 92 101.1"}), B, "long").levels
    assert levels.risk["early"] < 0
    assert (levels.objectives["early"], levels.room["early"]) == ((), None)
