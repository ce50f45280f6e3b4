"""The user's own decisions and prices replace those assumed."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from itertools import pairwise
from typing import Literal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scanner.analysis.rules import Rules
from scanner.follow.decision import Decision
from scanner.trade.following import Follow
from tests.effort import EFFORT
from tests.follow.hand_tapes import Case, seen_long
from tests.follow.test_branches import BELOW, FLAT, IN
from tests.follow.test_told import BOTH, told
from tests.follow.test_told import seen_long as told_long
from tests.laws import QUARTER_HOUR, all_setups, bars_of, engine
from tests.outside.random_tapes import tape

TOOK = "you took it; if an order to enter still stands, cancel it"
"""Else both orders may be filled, for twice the size."""
CASES: dict[str, tuple[Case, list[tuple[str, str, str | None, str | None]]]] = {
    # by name: the case, and the news: kind, reason, entry and R
    "taken before the rules' entry": (
        Case([BELOW, FLAT, (101.0, 101.4, 99.5, 100.5)], decided={1: ("take", "101.25")}),
        [("entered", TOOK, "101.25", "-0.14"), ("closed", "the stop was reached", "101.25", "-1.00")],
    ),
    "the next bar opens beyond the stop": (
        Case([BELOW, (99.0, 101.4, 98.8, 101.0)], decided={1: ("take", "101.25")}),
        [
            ("entered", TOOK, "101.25", "-0.14"),
            ("closed", "a bar opened beyond the stop", "101.25", "-1.29"),  # 2.25 of 1.75
        ],
    ),
    "taken at another price than was assumed": (
        Case([IN, (101, 101.4, 99.5, 100.5)], decided={1: ("take", "101.75")}),
        [
            ("entered", "the break entry was reached", "101.50", "0.05"),
            ("closed", "the stop was reached", "101.75", "-1.00"),
        ],
    ),
    "taken without a price": (
        Case([IN, (101, 101.4, 99.5, 100.5)], decided={1: ("take", None)}),
        [
            ("entered", "the break entry was reached", "101.50", "0.05"),
            ("closed", "the stop was reached", "101.50", "-1.00"),
        ],
    ),
    "a price beyond the stop is no entry": (
        Case([BELOW, BELOW, BELOW], decided={1: ("take", "99.50")}),
        [("lapsed", "no entry within 3 bars", None, None)],
    ),
    "left at a price": (
        Case([IN, FLAT, FLAT], decided={2: ("leave", "102.50")}),
        [
            ("entered", "the break entry was reached", "101.50", "0.05"),
            ("closed", "you left it", "101.50", "0.50"),
        ],
    ),
    "left without a price: the last close counts": (
        Case([IN, FLAT, FLAT], decided={2: ("leave", None)}),
        [
            ("entered", "the break entry was reached", "101.50", "0.05"),
            ("closed", "you left it", "101.50", "0.00"),
        ],
    ),
    "left before any entry is known": (
        Case([BELOW, IN], decided={1: ("leave", "101.00")}),
        [("closed", "you left it", None, None)],
    ),
    "what has ended stays as it is": (
        Case([IN, (101, 101.4, 99.5, 100.5), FLAT], decided={3: ("leave", "102.50")}),
        [
            ("entered", "the break entry was reached", "101.50", "0.05"),
            ("closed", "the stop was reached", "101.50", "-1.00"),
        ],
    ),
}


@BOTH
@pytest.mark.parametrize("name", CASES)
def test_own_fills_replace_those_assumed(name: str, sign: int) -> None:
    case, expected = CASES[name]
    events = told(case, sign)
    assert [
        (
            event.kind.removeprefix("setup."),
            event.data["reason"],
            event.data["entry"] and seen_long(Decimal(event.data["entry"]), sign),
            event.data["r"],
        )
        for event in events
    ] == expected
    assert {event.data["planned_entry"] for event in events} == {"101.50" if sign > 0 else "98.50"}
    is_taken = any(kind == "take" for kind, _ in case.decided.values())
    assert events[-1].data["size"] == ("30" if is_taken else "100")


@settings(max_examples=4 * EFFORT)
@given(st.integers(0, 10_000), st.lists(st.integers(0, 1_500), max_size=8), st.integers(0, 2**32))
def test_the_same_bars_and_decisions_give_the_same_bytes(seed: int, cuts: list[int], chance: int) -> None:
    bars = bars_of(tape(seed))
    plain = engine(rulebook=all_setups(Rules())).push(bars)
    kinds: tuple[Literal["take", "leave"], ...] = ("take", "leave")
    decisions = [
        Decision(event.thread, kind, Decimal(event.data["close"]), Decimal(7), event.time + later * QUARTER_HOUR // 2)
        for number, event in enumerate(each for each in plain if each.facts.begins)
        for kind, later in zip(kinds, (chance % 5, chance % 5 + chance % 7), strict=True)
        if (chance >> number % 32) & 1
    ]
    decisions.sort(key=lambda each: each.bar)

    def run(edges: list[int]) -> list[str]:
        watcher = engine(rulebook=all_setups(Rules()))
        for decision in decisions:
            watcher.hear(decision)
        pieces = pairwise([0, *sorted(edge for edge in edges if edge < len(bars)), len(bars)])
        return [event.to_json() for first, last in pieces for event in watcher.push(bars[first:last])]

    assert run(cuts) == run([])


def test_half_is_closed_at_the_gain_from_the_own_fill() -> None:
    """From 101.50, R is 2.00 and half is due at 102.50; taken at 101.70, R is 2.20 and half is due at 102.80."""
    rise = (101.6, 103.6, 101.5, 103.4)
    chosen = Follow(half_at=0.5)
    for before in (BELOW, IN):
        events = told(Case([before, rise], decided={1: ("take", "101.70")}, choices=chosen), 1)
        assert events[-1].data["half_exit"] == "102.80"
        assert events[-1].kind == "setup.exit_signal"


def test_a_price_a_hair_from_the_stop_is_not_an_entry() -> None:
    for price in ("99.50000000000000000000001", "99.50"):
        events = told(Case([BELOW, BELOW, BELOW], decided={1: ("take", price)}), 1)
        assert [event.kind for event in events] == ["setup.lapsed"]


def test_best_and_worst_include_the_price_of_the_exit() -> None:
    (_, closed) = told(Case([IN, FLAT, FLAT], decided={2: ("leave", "104.50")}), 1)
    assert (closed.data["r"], closed.data["best_r"]) == ("1.50", "1.50")


@BOTH
def test_the_stop_goes_to_the_own_entry_once_that_has_its_gain(sign: int) -> None:
    """Filled at 101.703 on average, between two steps of 0.01: an order can only be placed at a step."""
    rise, more = (101.6, 103.6, 101.5, 103.4), (103.4, 104.0, 103.3, 103.9)
    moved = ["sell stop 101.50, was 99.50"]
    cases = [
        (Case([IN, rise, more], decided={1: ("take", "101.703")}), ["sell stop 101.70, was 99.50"]),
        (Case([IN, rise, more], decided={2: ("take", "101.703")}), [*moved, "sell stop 101.70, was 101.50"]),
        (Case([IN, rise, FLAT], decided={2: ("take", "101.703")}), moved),
        (Case([IN, rise, more], decided={2: ("take", "101.40")}), moved),
    ]
    for case, expected in cases:
        events = told(replace(case, choices=Follow(to_entry_at=1)), sign)
        raised = [event for event in events if event.kind == "setup.stop_raised"]
        assert [told_long(event.data["orders"], sign) for event in raised] == expected
