"""The plain reading of places: dips of single bars in a quiet tape make the swing lows that a test needs."""

from __future__ import annotations

from decimal import Decimal

import pytest

from tests.outside.hand_tapes import B, Change, judge, quiet, quiet_at, read, tape_with


def test_the_pause_lies_at_both_averages() -> None:
    # |99 − 100| = 1 is within 1.0129, and both averages have risen: by 8.2 / 50 and by 8.2 / 200. Equal lows make
    # no swings, and the highest high, 101, is not 3 ATR above 99.
    (found,) = read(tape_with())
    assert found.places == {"line": None, "average": 100, "level": None, "turn": None}
    assert (found.safest, found.averages) == ("average", (50, 200))


def test_two_lows_make_a_level_and_a_rising_line() -> None:
    # |98 − 99| = 1 and |98.2 − 99| = 0.8 are within 1.0; their mean is 98.1. The line rises by 0.2 in 20 bars; at
    # bar 242, where the low is, it is at 98 + 42 · 0.01 = 98.42.
    found = judge(tape_with({200: "100 101 98 100", 220: "100 101 98.2 100"}), B, "long")
    assert found.places == {"line": Decimal("98.42"), "average": 100, "level": Decimal("98.1"), "turn": None}
    assert (found.safest, found.line) == ("line", (200, 220, 2))


@pytest.mark.parametrize(("first", "second"), [("98.2", "98"), ("98.1", "98.1")])
def test_falling_or_equal_lows_make_a_level_only(first: str, second: str) -> None:
    found = judge(tape_with({200: f"100 101 {first} 100", 220: f"100 101 {second} 100"}), B, "long")
    assert (found.places["line"], found.places["level"]) == (None, Decimal("98.1"))


def test_the_first_of_adjacent_equal_lows_is_the_swing() -> None:
    lows: Change = {200: "100 101 98 100", 201: "100 101 98 100", 220: "100 101 98.2 100"}
    found = judge(tape_with(lows), B, "long")
    assert (found.line, found.places["level"]) == ((200, 220, 2), Decimal("98.1"))


@pytest.mark.parametrize(("ten_bars_ago", "averages"), [("108", (50,)), ("109", ())])
def test_an_average_must_have_risen_for_ten_bars(ten_bars_ago: str, averages: tuple[int, ...]) -> None:
    # Bar 192 is the first in the SMA 50 of bar 241, and adds 8 / 50 (9 / 50) to it; the pause adds 8.2 / 50 at B. At
    # the low the SMA 50 is 100; the SMA 200 still holds the bar and is 1.04 away, too far for half of an ATR of 2.04.
    assert judge(tape_with({192: quiet(192, ten_bars_ago)}), B, "long").averages == averages


def test_the_line_with_most_touches_then_the_longest() -> None:
    # Three lows on one line: three pairs, and from bar 190 on there are three touches.
    lows: Change = {190: "100 101 98 100", 210: "100 101 98.2 100", 220: "100 101 98.3 100"}
    assert judge(tape_with(lows), B, "long").line == (190, 220, 3)
    # A low of 95 long before makes a longer line to bar 220, that rises to 99.65 at the pullback low; but at bars 190
    # and 205 it runs 1.5 and 0.7 below the other two lows, so it has two touches only.
    lows = {150: "100 101 95 100", 190: "100 101 98.5 100", 205: "100 101 98.52 100", 220: "100 101 98.54 100"}
    assert judge(tape_with(lows), B, "long").line == (190, 220, 3)


@pytest.mark.parametrize(("close", "line"), [("97.8", (200, 220, 2)), ("97.76", None)])
def test_a_close_below_breaks_a_line(close: str, line: tuple[int, int, int] | None) -> None:
    # At bar 230 the line is at 98.3. The true ranges of 3, 2.8, 3.5 and 3.2 have left 0.05 in the ATR: a quarter of
    # it is 0.52. The low of that bar, 97.5, is lower than both swing lows, so that no other line rises.
    lows: Change = {200: "100 101 98 100", 220: "100 101 98.2 100", 230: f"99 101 97.5 {close}"}
    assert judge(tape_with(lows), B, "long").line == line


@pytest.mark.parametrize(("start", "line"), [(B - 120, (B - 120, 200, 2)), (B - 121, None)])
def test_swings_count_for_120_bars(start: int, line: tuple[int, int, int] | None) -> None:
    assert judge(tape_with({start: "100 101 98 100", 200: "100 101 98.4 100"}), B, "long").line == line


@pytest.mark.parametrize(("bar_number", "count"), [(B - 12, 2), (B - 11, 1)])
def test_a_swing_must_be_confirmed_before_the_low(bar_number: int, count: int) -> None:
    # The low is at B − 9; a swing low needs three bars after it, so B − 12 is the last that counts.
    found = judge(tape_with({200: "100 101 98.4 100", bar_number: "100 101 98.2 100"}), B, "long")
    assert (found.places["level"] is not None) == (count == 2)


def test_lows_less_than_five_bars_apart_make_no_line() -> None:
    assert judge(tape_with({200: "100 101 98 100", 204: "100 101 98.2 100"}), B, "long").line is None
    assert judge(tape_with({200: "100 101 98 100", 205: "100 101 98.2 100"}), B, "long").line == (200, 205, 2)


def test_a_high_and_a_low_make_a_level() -> None:
    # Until bar 220 the market was ten lower and had one high at 98.8; one later low is at 98.4.
    found = judge(tape_with(quiet_at("90", 0, 220), {180: "90 98.8 89 90", 230: "100 101 98.4 100"}), B, "long")
    assert found.places["level"] == Decimal("98.6")


@pytest.mark.parametrize(("fall_from", "price"), [("106", 99), ("104", None)])
def test_a_turn_after_a_fall_of_three_atr(fall_from: str, price: int | None) -> None:
    # The bars before 215 reach to 107 (to 105), 8 (6) above 99. The gap of 6 − 1 below their close widens one true
    # range to 7 (5), of which (13/14)^36 = 7 % is left: 3 ATR are 6.2.
    assert judge(tape_with(quiet_at(fall_from, 150, 215)), B, "long").places["turn"] == price


@pytest.mark.parametrize(
    ("start", "low", "price"),
    [
        (B - 38, {B - 30: "100 101 98.9 100"}, None),
        (B - 38, {B - 39: "106 107 98.9 106"}, None),
        (B - 38, {B - 40: "106 107 98.9 106"}, 99),  # the 41st bar does not count
    ],
)
def test_a_turn_is_the_lowest_of_40_bars(start: int, low: Change, price: int | None) -> None:
    assert judge(tape_with(quiet_at("106", 150, start), low), B, "long").places["turn"] == price
