"""Plans worked out by hand, one for each branch of the levels."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest

from scanner.analysis.rules import Rules
from scanner.market.instruments import Instrument
from scanner.market.price_steps import PriceSteps
from scanner.trade.plan import Facts, Plan, make
from scanner.trade.size import Account

D = Decimal
KITE = Instrument("KITE", PriceSteps.fixed(D("0.25")), point_value=D(50), currency="USD")
ACCOUNT = Account(equity=D(50_000), currency="USD", risk_fraction=D("0.02"))

LONG = Facts(
    sign=1,
    high_b=D("4012.00"),
    low_b=D("4006.00"),
    close_b=D("4011.50"),
    high_d=D("4007.75"),
    low_d=D("4004.50"),
    atr=D("8.1"),
    fast_average=D("4000.10"),
    close_beyond_fast=True,
    close_beyond_slow=True,
    obstacle=D("4030.60"),
    obstacle_text="nearest level ahead",
)


def plan(facts: Facts, rules: Rules | None = None) -> Plan:
    return make(facts, rules or Rules(), KITE, ACCOUNT)


def test_a_long_plan_by_hand() -> None:
    made = plan(LONG)
    # Stop: the doji's low 4004.50 less 0.05 ATR = 0.405, which is more than a step: 4004.095, down to 4004.00.
    # Break: 4012.00 plus a step. R = 4012.25 - 4004.00 = 8.25. Objectives 4020.50, 4028.75, 4037.00.
    # Obstacle 4030.60 down to 4030.50: room (4030.50 - 4012.25) / 8.25 = 2.21.
    # Size: 50,000 * 2 % = 1,000 at risk, 412.50 a contract: 2 contracts.
    assert made.levels == {
        "early": "4011.50",
        "break": "4012.25",
        "average": None,
        "stop": "4004.00",
        "objectives": ["4020.50", "4028.75", "4037.00"],
        "obstacle": "4030.50",
    }
    entry = made.entries["break"]
    assert (entry["risk"], entry["room"], entry["size"]) == ("8.25", "2.21", "2")
    assert made.entries["average"]["price"] is None
    assert made.exit_plan["style"] == "ride"


def test_the_stop_goes_behind_the_last_bar_where_it_reached_lower_than_the_doji() -> None:
    lower = replace(LONG, low_b=D("4003.00"))
    assert plan(lower).levels["stop"] == "4002.50"  # 4003.00 - 0.405 = 4002.595, down
    assert plan(lower).level_reasons["stop"] == "0.405 beyond the last bar's low"


def test_unless_that_is_further_than_two_atr_from_the_close() -> None:
    far = replace(LONG, low_b=D("3995.25"))  # 16.25 from the close; two ATR are 16.20
    assert plan(far).levels["stop"] == "4004.00"
    near = replace(LONG, low_b=D("3995.50"))
    assert plan(near).levels["stop"] == "3995.00"


def test_a_step_is_the_least_distance_of_the_stop() -> None:
    assert plan(replace(LONG, atr=D(1))).levels["stop"] == "4004.25"


def test_below_the_fast_average_there_is_a_third_way_in_and_below_the_slow_one_the_trade_is_quick() -> None:
    made = plan(replace(LONG, fast_average=D("4013.30"), close_beyond_fast=False, close_beyond_slow=False))
    assert made.levels["average"] == "4013.50"
    assert made.entries["average"]["risk"] == "9.50"
    assert made.exit_plan["style"] == "quick"


def test_without_an_obstacle_there_is_no_room_to_speak_of() -> None:
    made = plan(replace(LONG, obstacle=None, obstacle_text="no level and no average ahead"))
    assert made.levels["obstacle"] is None
    assert made.entries["break"]["room"] is None


def test_a_stop_at_the_entry_is_not_plannable_and_says_so() -> None:
    # The doji's low stands at the close: the early entry has no risk left, the break entry has.
    odd = replace(LONG, low_b=D("4012.00"), low_d=D("4012.00"), high_b=D("4012.00"), close_b=D("4011.50"), atr=D(1))
    entry = plan(odd).entries["early"]
    assert entry["risk"] is None
    assert entry["reason"] == "not plannable: the stop 4011.75 is not beyond the entry 4011.50"
    assert plan(odd).entries["break"]["risk"] == "0.50"


@pytest.mark.parametrize("style", ["early", "break"])
def test_the_chosen_entry_gives_the_objectives(style: str) -> None:
    made = plan(LONG, Rules.model_validate({"entry_style": style}))
    assert made.levels["objectives"] == made.entries[style]["objectives"]


def test_the_mirror_of_a_plan() -> None:
    mirror = Facts(
        sign=-1,
        high_b=-LONG.low_b,
        low_b=-LONG.high_b,
        close_b=-LONG.close_b,
        high_d=-LONG.low_d,
        low_d=-LONG.high_d,
        atr=LONG.atr,
        fast_average=-LONG.fast_average,
        close_beyond_fast=True,
        close_beyond_slow=True,
        obstacle=D("-4030.60"),
        obstacle_text="",
    )
    made = plan(mirror)
    assert (made.levels["early"], made.levels["break"], made.levels["stop"]) == ("-4011.50", "-4012.25", "-4004.00")
    assert made.levels["objectives"] == ["-4020.50", "-4028.75", "-4037.00"]
    assert made.entries["break"]["room"] == "2.21"
