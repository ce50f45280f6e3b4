"""The events of a setup, bar by bar, and of its mirror; the expected texts are written by hand."""

from __future__ import annotations

import re
from decimal import Decimal
from typing import TYPE_CHECKING, Any

import pytest

from scanner.analysis.rules import Rules
from scanner.follow.story_events import Teller
from scanner.market.instruments import Instrument
from scanner.market.price_steps import PriceSteps
from scanner.trade.following import Follow
from scanner.trade.rulebook import Rulebook
from tests.follow.hand_tapes import Case, Prices, Spoiler
from tests.follow.test_branches import BELOW, BELOW_AVERAGE, CRASH, DEEP, DIP, DRIVE, FLAT, IN, LOW, OVER, UP
from tests.laws import timetable

if TYPE_CHECKING:
    from scanner.events import Event

Told = tuple[str, str, str | None, str]
"""Kind, reason, R, and the valid orders."""

RISE: Prices = (101.6, 103.6, 101.5, 103.4)
"""Goes beyond 103.50, a gain of 1 R for an entry at 101.50 with a stop at 99.50."""

ENTERED: Told = ("entered", "the break entry was reached", "0.05", "sell stop 99.50")
ON_AVERAGE = "filled at the open after a close beyond the fast average"
GAP = "the bar of the fill would have opened too far beyond the entry"

STORIES: dict[str, tuple[Case, list[Told]]] = {
    "no entry": (
        Case([BELOW, BELOW, BELOW]),
        [("lapsed", "no entry within 3 bars", None, "cancel the buy stop 101.50")],
    ),
    "an open too far beyond": (
        Case([(102.01, 102.5, 101.5, 102.2)]),
        [("lapsed", GAP, None, "cancel the buy stop 101.50")],
    ),
    "early: an open too far beyond": (Case([(101.51, 102.0, 101.0, 101.5)], "early"), [("lapsed", GAP, None, "")]),
    "spoiled by the cross back": (
        Case([(101.0, 101.2, 98.4, 98.5)], stop="98.00"),
        [("spoiled", "the MACD line crossed back before the entry", None, "cancel the buy stop 101.50")],
    ),
    "spoiled in its own way": (
        Case([(101.0, 101.2, 100.0, 100.19)], spoiler=Spoiler(beyond=100.2)),
        [("spoiled", "own before the entry", None, "cancel the buy stop 101.50")],
    ),
    "stopped": (
        Case([IN, (101, 101.4, 99.5, 100.5)]),
        [ENTERED, ("closed", "the stop was reached", "-1.00", "")],
    ),
    "entry and stop in one bar": (
        Case([(101.0, 101.6, 99.4, 101.2)]),
        [
            ("entered", "the break entry was reached", "-1.00", ""),
            ("closed", "the stop was reached", "-1.00", ""),
        ],
    ),
    "an open beyond the stop": (
        Case([IN, (99.0, 101.4, 98.8, 101)]),
        [ENTERED, ("closed", "a bar opened beyond the stop", "-1.25", "")],
    ),
    "a worse fill": (
        Case([(101.9, 102, 101, 101.5), (101, 101.4, 99, 99.2)]),
        [
            ("entered", "filled at an open beyond the planned entry", "-0.17", "sell stop 99.50"),
            ("closed", "the stop was reached", "-1.00", ""),
        ],
    ),
    "early": (
        Case([(101.5, 102, 101, 101.5)], style="early", entry="101.00"),
        [("entered", "filled at the open after the setup", "0.00", "sell stop 99.50")],
    ),
    "average": (
        Case([LOW, OVER, (100.3, 100.8, 99.9, 100.5)], "average", entry="100.00", stop="99.00", last=BELOW_AVERAGE),
        [("entered", f"{ON_AVERAGE}, but not beyond the trigger", "0.15", "sell stop 99.00")],
    ),
    "average: a close beyond the trigger, too": (
        Case(
            [(99.8, 101.2, 99.6, 101.1), (101.2, 101.4, 100.9, 101.3)],
            *("average", "100.00", "99.00"),
            last=BELOW_AVERAGE,
        ),
        [("entered", f"{ON_AVERAGE}, and beyond the trigger", "0.05", "sell stop 99.00")],
    ),
    "quick: the cross back": (
        Case([IN, CRASH, (98.3, 98.6, 98.0, 98.2)], stop=DEEP),
        [
            ("entered", "the break entry was reached", "0.02", "sell stop 97.50"),
            ("exit_signal", "the MACD line crossed back", "-0.88", "sell at the next open"),
            ("closed", "the MACD line crossed back", "-0.80", ""),
        ],
    ),
    "ride: the first cross back, told once": (
        Case([IN, *[FLAT] * 30], ride=True),
        [
            ENTERED,
            (
                "exit_signal",
                "the MACD line crossed back; you may leave, or stay for a ride",
                "0.00",
                "sell stop 99.50; or sell at the next open",
            ),
        ],
    ),
    "ride: stop raised and reached": (
        Case([*DIP, (101, 101.2, 100.5, 101)], ride=True),
        [
            ENTERED,
            ("stop_raised", "the stop follows a confirmed swing low", "0.00", "sell stop 100.55, was 99.50"),
            ("closed", "the stop was reached", "-0.48", ""),
        ],
    ),
    "ride: a sign that no longer counts": (
        Case([IN, DRIVE, UP, UP, UP, FLAT, FLAT], ride=True, others={7}),
        [
            ENTERED,
            ("pressure", "a drive bar against it", "0.00", "sell stop 99.50"),
            ("pressure", "a setup on the other side", "0.00", "sell stop 99.50"),
        ],
    ),
    "ride: pressure": (
        Case([IN, DRIVE, UP, UP, UP, FLAT, FLAT], ride=True, others={6}),
        [
            ENTERED,
            ("pressure", "a drive bar against it", "0.00", "sell stop 99.50"),
            (
                "exit_signal",
                "a drive bar against it and a setup on the other side",
                "0.00",
                "sell at the next open",
            ),
            ("closed", "a drive bar against it and a setup on the other side", "0.00", ""),
        ],
    ),
    "ride: the same sign again while it counts is not told again": (
        Case([IN, DRIVE, (102.0, 102.0, 101.4, 101.4)], ride=True),
        [ENTERED, ("pressure", "a drive bar against it", "0.00", "sell stop 99.50")],
    ),
    "half at 1 R, then stopped": (
        Case([IN, RISE, (103.4, 103.5, 101.9, 102), (101, 101.2, 99, 99.2)], choices=Follow(half_at=1)),
        [
            ("entered", "the break entry was reached", "0.05", "sell stop 99.50; sell half at 103.50"),
            (
                "exit_signal",
                "half of it was closed at a gain of 1 R, as you chose",
                "0.98",
                "sell stop 99.50 for the other half",
            ),
            ("closed", "the stop was reached", "0.00", ""),
        ],
    ),
    "ride: half closed, then the first cross back": (
        Case([IN, (101.5, 102.4, 101.0, 101.5), *[FLAT] * 30], ride=True, choices=Follow(half_at=0.4)),
        [
            ("entered", "the break entry was reached", "0.05", "sell stop 99.50; sell half at 102.30"),
            (
                "exit_signal",
                "half of it was closed at a gain of 0.4 R, as you chose",
                "0.20",
                "sell stop 99.50 for the other half",
            ),
            (
                "exit_signal",
                "the MACD line crossed back; you may leave, or stay for a ride",
                "0.20",
                "sell stop 99.50 for the other half; or sell the other half at the next open",
            ),
        ],
    ),
    "half at an open beyond 1 R": (
        Case([IN, (103.9, 104.0, 103.0, 103.5)], choices=Follow(half_at=1)),
        [
            ("entered", "the break entry was reached", "0.05", "sell stop 99.50; sell half at 103.50"),
            (
                "exit_signal",
                "half of it was closed at a gain of 1 R, as you chose",
                "1.10",
                "sell stop 99.50 for the other half",
            ),
        ],
    ),
    "half closed, then the end after bars": (
        Case([IN, RISE, (103.4, 103.5, 101.9, 102)], choices=Follow(half_at=1, max_bars=2)),
        [
            ("entered", "the break entry was reached", "0.05", "sell stop 99.50; sell half at 103.50"),
            (
                "exit_signal",
                (
                    "half of it was closed at a gain of 1 R, as you chose; "
                    "2 bars in the position, after which you chose to leave"
                ),
                "0.98",
                "sell the other half at the next open",
            ),
            ("closed", "2 bars in the position", "0.98", ""),
        ],
    ),
    "both the stop and half in one bar: the stop first": (
        Case([IN, (101.6, 103.6, 99.4, 103.4)], choices=Follow(half_at=1)),
        [
            ("entered", "the break entry was reached", "0.05", "sell stop 99.50; sell half at 103.50"),
            ("closed", "the stop was reached", "-1.00", ""),
        ],
    ),
    "stop to the entry at 1 R": (
        Case([IN, RISE, (103.4, 103.5, 101.4, 102)], choices=Follow(to_entry_at=1)),
        [
            ENTERED,
            (
                "stop_raised",
                "a gain of 1 R, at which you chose to move the stop to the entry",
                "0.95",
                "sell stop 101.50, was 99.50",
            ),
            ("closed", "the stop was reached", "0.00", ""),
        ],
    ),
    "after two bars": (
        Case([IN, RISE, (103.4, 103.5, 101.9, 102)], choices=Follow(max_bars=2)),
        [
            ENTERED,
            ("exit_signal", "2 bars in the position, after which you chose to leave", "0.95", "sell at the next open"),
            ("closed", "2 bars in the position", "0.95", ""),
        ],
    ),
}


def told(case: Case, sign: int, lot: str = "1") -> list[Event]:
    rulebook = Rulebook(Rules(entry_style=case.style), (), follow=case.choices)
    instrument = Instrument("GANNET", PriceSteps.fixed(Decimal("0.01")), Decimal(2), Decimal(lot), "EUR")
    teller = Teller(instrument, timetable(), rulebook, None)
    return [teller.event(news) for news in case.follow(sign)[1]]


def seen_long(text: str, sign: int) -> str:
    """Give a text as for the long side."""
    if sign > 0:
        return text
    pairs = {"buy": "sell", "low": "high", "above": "below", "raises": "lowers"}
    swapped = pairs | {short: long for long, short in pairs.items()}
    text = re.sub(rf"\b({'|'.join(swapped)})\b", lambda word: swapped[word[0]], text)
    return re.sub(r"\d+\.\d\d", lambda price: f"{200 - Decimal(price[0]):.2f}", text)


BOTH = pytest.mark.parametrize("sign", [1, -1], ids=["long", "short"])


@BOTH
@pytest.mark.parametrize("name", STORIES)
def test_each_story_has_the_expected_events(name: str, sign: int) -> None:
    case, expected = STORIES[name]
    events = told(case, sign)
    assert [
        (
            event.kind.removeprefix("setup."),
            seen_long(event.data["reason"], sign),
            event.data["r"],
            seen_long(event.data["orders"], sign),
        )
        for event in events
    ] == expected
    assert {event.thread for event in events} == {"thread"}
    assert len({event.id for event in events}) == len(events)
    assert all(event.facts.follows for event in events)


@BOTH
def test_all_figures_of_a_sign_of_pressure(sign: int) -> None:
    """Every figure of the event in the story above."""
    case = STORIES["ride: pressure"][0]
    data = told(case, sign)[1].data
    prices = {name: seen_long(data[name], sign) for name in ("planned_entry", "entry", "first_stop", "stop", "close")}
    # DRIVE closes at 101.50; the best price was its 102.00, and the worst was 100.80, in the bar of the entry.
    assert prices == {
        "planned_entry": "101.50",
        "entry": "101.50",
        "first_stop": "99.50",
        "stop": "99.50",
        "close": "101.50",
    }
    expected: dict[str, Any] = {
        "instrument": "GANNET",
        "setup": "own",
        "title": "own setup",
        "direction": "long" if sign > 0 else "short",
        "set_aside": False,
        "entry_style": "break",
        "exit_style": "ride",
        "state": "open",
        "planned_risk": "2.00",
        "risk": "2.00",
        "exit": None,
        "half_exit": None,
        "r_at_stop": "-1.00",
        "best_r": "0.25",
        "worst_r": "-0.35",
        "cost_r": None,
        "size": "100",
        "point_value": "2",
        "result": None,
        "bars_waited": 0,
        "bars_held": 2,
        "pressure": ["a drive bar against it"],
        "pressure_needed": 2,
        "warnings": [],
    }
    assert {name: data[name] for name in expected} == expected
    assert seen_long(data["next"], sign) == (
        "a confirmed swing low above the stop raises it; 2 different signs of pressure within 5 bars end it, 1 so far"
    )


@BOTH
def test_what_comes_next_names_each_choice_of_the_user_that_is_still_to_come(sign: int) -> None:
    choices = Follow(half_at=2, to_entry_at=1, max_bars=9, flat_by_close=True)
    case = Case([IN, RISE], choices=choices)
    before, after = (event.data["next"] for event in told(case, sign))
    rest = "after 9 bars in the position, leave at the next open"
    assert before == (
        "once the MACD line crosses back, leave at the next open; "
        f"a gain of 1 R moves the stop to the entry; a gain of 2 R closes half; {rest}"
    )
    assert after == f"once the MACD line crosses back, leave at the next open; a gain of 2 R closes half; {rest}"


@BOTH
def test_a_result_is_given_in_money(sign: int) -> None:
    # 100 units at 2 EUR a point each: a loss of 2.00 points, and a gain of 1.90
    for name, result in (("stopped", "-400"), ("after two bars", "380")):
        *before, closed = told(STORIES[name][0], sign)
        assert closed.data["result"] == result
        assert all(event.data["result"] is None for event in before)


@pytest.mark.parametrize(("lot", "result"), [("50", "0"), ("100", None), ("20", None)])
def test_a_size_of_which_half_cannot_be_closed_has_no_result_in_money(lot: str, result: str | None) -> None:
    """R takes exact halves; of a size of 100 in lots of 20 it is not known what was closed."""
    closed = told(STORIES["half at 1 R, then stopped"][0], 1, lot)[-1]
    assert (closed.data["r"], closed.data["size"], closed.data["result"]) == ("0.00", "100", result)
    whole = told(STORIES["stopped"][0], 1, lot)[-1]
    assert whole.data["result"] == "-400"
