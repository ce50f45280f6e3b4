"""Plans computed by hand, one for each branch of the levels."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from scanner.analysis.columns import ATR, CLOSE, COLUMNS, FAST_AVERAGE, SLOW_AVERAGE
from scanner.analysis.door.setup import LEVELS
from scanner.analysis.rules import Rules
from scanner.market.costs import Cost, Costs
from scanner.market.instruments import Instrument
from scanner.market.price_steps import PriceSteps
from scanner.trade import levels
from scanner.trade import plan as plans
from scanner.trade.size import Account

if TYPE_CHECKING:
    from scanner.trade.plan import Plan

D = Decimal
KITE = Instrument("KITE", PriceSteps.fixed(D("0.25")), point_value=D(50), currency="USD")
ACCOUNT = Account(equity=D(50_000), currency="USD", risk_fraction=D("0.02"))


class Facts(NamedTuple):
    """A setup at one bar: its side, its prices, whether averages lie beyond the close, and the obstacles ahead."""

    sign: int
    close: Decimal
    trigger: Decimal
    base: Decimal
    atr: Decimal
    fast_average: Decimal
    close_beyond_slow: bool
    obstacles: tuple[tuple[Decimal, str], ...]


LONG = Facts(
    sign=1,
    close=D("4011.50"),
    trigger=D("4012.00"),
    base=D("4004.50"),
    atr=D("8.1"),
    fast_average=D("4000.10"),
    close_beyond_slow=True,
    obstacles=((D("4012.00"), "swing high"), (D("4030.60"), "200-bar average"), (D("4050.00"), "highest high")),
)


def plan(facts: Facts, rules: Rules | None = None, instrument: Instrument = KITE) -> Plan:
    rules, grid = rules or Rules(), levels.grid_of(KITE.steps)
    close, base, atr = float(facts.close), float(facts.base), float(facts.atr)
    series = np.full((1, COLUMNS, 1), np.nan)
    series[0, [CLOSE, FAST_AVERAGE, ATR], 0] = close, float(facts.fast_average), atr
    series[0, SLOW_AVERAGE, 0] = close - facts.sign if facts.close_beyond_slow else close
    level = np.zeros(1, dtype=LEVELS)
    level["trigger"], level["base"] = float(facts.trigger), base
    obstacles = tuple((float(price), text) for price, text in facts.obstacles)
    ahead = np.array([[price for price, _ in obstacles]])
    planned = np.empty((1, levels.COLUMNS))
    where = (series, np.array([[0, 0, facts.sign]]), np.array([0]), level, ahead, np.array([len(obstacles)]))
    levels.plan(*where, rules.record, levels.together((grid,)), planned)
    texts = ("the last bar's high", "the low before", obstacles)
    return plans.make(
        plans.Facts(facts.sign, close, base, atr, planned[0], *texts), rules, instrument, ACCOUNT, halves=False
    )


def mirrored(facts: Facts) -> Facts:
    return facts._replace(
        sign=-facts.sign,
        close=-facts.close,
        trigger=-facts.trigger,
        base=-facts.base,
        fast_average=-facts.fast_average,
        obstacles=tuple((-price, text) for price, text in facts.obstacles),
    )


def negative(text: str | None) -> str | None:
    return None if text is None else f"{-D(text):f}"


def test_a_long_plan_by_hand() -> None:
    made = plan(LONG)
    # Stop: 4004.50 less 0.05 ATR = 0.405, which is more than a step: 4004.095, down to 4004.00.
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
    assert D(entry["at_risk"] or "nan") == 2 * D("412.50")
    assert made.entries["average"]["price"] is made.entries["average"]["at_risk"] is None
    assert made.exit_plan["style"] == "ride"
    assert made.level_reasons["stop"] == "0.405 beyond the low before"
    # Half an ATR is 4.05: from the close 4015.55 and from the break entry 4016.30, each down to a step.
    assert made.level_reasons["early"].endswith("void if it opens above 4015.50, or at the stop or beyond")
    assert made.level_reasons["break"] == (
        "one step above the last bar's high, as a stop order; void after an open above 4016.25"
    )


def test_a_short_is_entered_below_what_a_long_is_entered_above() -> None:
    long, short = (plan(facts._replace(fast_average=facts.close + facts.sign)) for facts in (LONG, mirrored(LONG)))
    for style, entry in long.entries.items():
        assert short.entries[style]["reason"].replace(" -", " ") == entry["reason"].replace("above", "below")
    assert short.exit_plan["reason"] == "close is below the 200-bar average"


def test_each_entry_has_its_own_obstacle_and_room_and_names_what_it_breaks() -> None:
    made = plan(LONG)
    early, break_ = made.entries["early"], made.entries["break"]
    # From the close the swing high 4012.00 lies two steps ahead: room 0.50 / 7.50 = 0.07.
    assert (early["obstacle"], early["obstacle_text"], early["room"]) == ("4012.00", "swing high", "0.07")
    assert early["being_broken"] == []
    # The break entry is a step beyond it.
    assert (break_["obstacle"], break_["obstacle_text"]) == ("4030.50", "200-bar average")
    assert break_["being_broken"] == ["4012.00 swing high"]
    assert made.level_reasons["obstacle"] == "200-bar average"
    assert plan(LONG, Rules(entry_style="early")).levels["obstacle"] == "4012.00"


@pytest.mark.parametrize(
    ("price", "obstacle", "being_broken"),
    [
        ("4012.50", "4012.50", []),  # a step beyond the break entry 4012.25
        ("4012.49", None, ["4012.25 swing high"]),  # toward the entry it is 4012.25
        ("4012.25", None, ["4012.25 swing high"]),
        ("4011.75", None, ["4011.75 swing high"]),
    ],
)
def test_an_obstacle_lies_a_step_beyond_its_entry(price: str, obstacle: str | None, being_broken: list[str]) -> None:
    facts = LONG._replace(obstacles=((D(price), "swing high"),))
    for sign, made in ((1, plan(facts)), (-1, plan(mirrored(facts)))):
        entry = made.entries["break"]
        assert entry["obstacle"] == (obstacle if sign > 0 else negative(obstacle))
        assert entry["being_broken"] == [text if sign > 0 else f"-{text}" for text in being_broken]
        assert (entry["room"] is None) == (obstacle is None)


def test_an_average_a_hair_off_a_step_is_on_it() -> None:
    facts = LONG._replace(obstacles=((D("4012.4999999999999"), "50-bar average"),))
    assert plan(facts).entries["break"]["obstacle"] == "4012.50"


def test_a_step_is_the_least_distance_of_the_stop() -> None:
    assert plan(LONG._replace(atr=D(1))).levels["stop"] == "4004.25"


def test_below_the_fast_average_there_is_a_third_entry_and_below_the_slow_one_the_trade_is_quick() -> None:
    ahead = ((D("4013.30"), "50-bar average"), (D("4030.60"), "200-bar average"))
    made = plan(LONG._replace(fast_average=D("4013.30"), close_beyond_slow=False, obstacles=ahead))
    average = made.entries["average"]
    assert (made.levels["average"], average["risk"]) == ("4013.50", "9.50")
    assert average["reason"] == (
        "open after the first close above the 50-bar average, estimated at that average; "
        "void if it opens more than 4.05 above the close before it, or at the stop or beyond"
    )
    assert (average["obstacle"], average["being_broken"]) == ("4030.50", ["4013.25 50-bar average"])
    assert made.entries["break"]["obstacle"] == "4013.25"
    assert made.exit_plan["style"] == "quick"


def test_without_an_obstacle_room_is_unknown() -> None:
    made = plan(LONG._replace(obstacles=()))
    assert (made.levels["obstacle"], made.level_reasons["obstacle"]) == (None, "nothing ahead in 250 bars")
    assert made.entries["break"]["room"] is None


def test_an_entry_that_does_not_apply_has_no_obstacle_and_says_why() -> None:
    made = plan(LONG, Rules(entry_style="average"))
    assert (made.levels["obstacle"], made.levels["objectives"]) == (None, [])
    assert made.level_reasons["obstacle"] == "close is above the 50-bar average already"


def test_a_stop_at_the_entry_cannot_be_planned_and_says_so() -> None:
    # The base is beyond the close: the early entry has no risk, but the break entry has.
    odd = LONG._replace(base=D("4012.00"), atr=D(1))
    entry = plan(odd).entries["early"]
    assert (entry["risk"], entry["room"], entry["obstacle"]) == (None, None, "4012.00")
    assert entry["reason"] == "not plannable: the stop 4011.75 is not beyond the entry 4011.50"
    assert plan(odd).entries["break"]["risk"] == "0.50"


def test_an_entry_whose_stop_is_nearer_than_the_costs_says_so_whether_it_is_followed_or_not() -> None:
    costly = replace(KITE, costs=Costs(spread=Cost(D("8.00"))))
    entries = plan(LONG, instrument=costly).entries
    # R is 7.50 from the close and 8.25 from the break entry.
    nearer = "; the stop is nearer than the costs: R is 7.50, the costs of both ways are 8.00"
    assert entries["early"]["reason"].endswith(nearer)
    assert "costs" not in entries["break"]["reason"]


@pytest.mark.parametrize("style", ["early", "break"])
def test_the_chosen_entry_gives_the_objectives(style: str) -> None:
    made = plan(LONG, Rules.model_validate({"entry_style": style}))
    assert made.levels["objectives"] == made.entries[style]["objectives"]


PRICES = st.decimals("3980", "4080", places=3)


@given(
    close=PRICES,
    trigger=PRICES,
    base=PRICES,
    atr=st.decimals("0.1", "20", places=3),
    average=PRICES,
    beyond=st.booleans(),
    ahead=st.lists(PRICES, max_size=5),
)
def test_the_mirror_of_a_plan(
    close: Decimal, trigger: Decimal, base: Decimal, atr: Decimal, average: Decimal, beyond: bool, ahead: list[Decimal]
) -> None:
    obstacles = tuple((price, "swing point") for price in sorted(ahead) if price > close)
    facts = Facts(1, close, trigger, base, atr, average, beyond, obstacles)
    made, other = plan(facts), plan(mirrored(facts))
    for style in ("early", "break", "average"):
        entry, theirs = made.entries[style], other.entries[style]
        assert theirs["price"] == negative(entry["price"])
        assert theirs["obstacle"] == negative(entry["obstacle"])
        assert theirs["objectives"] == [negative(price) for price in entry["objectives"]]
        assert theirs["being_broken"] == [f"-{text}" for text in entry["being_broken"]]
        assert [theirs[key] for key in ("risk", "room", "size")] == [entry[key] for key in ("risk", "room", "size")]
        if entry["price"] is not None:  # an obstacle ahead of the close is either broken by the entry or beyond it
            step, price = D("0.25"), D(entry["price"])
            first = next((at for at, _ in obstacles if at >= price + step), None)
            assert (entry["obstacle"] is None) == (first is None)
            assert first is None or D(entry["obstacle"] or 0) == first - first % step
            assert len(entry["being_broken"]) == sum(at < price + step for at, _ in obstacles)
    assert other.levels["stop"] == negative(made.levels["stop"])
