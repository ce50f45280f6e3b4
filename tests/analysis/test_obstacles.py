"""What lies ahead of a close: which prices count, how far back, and in which order."""

from __future__ import annotations

import pytest

from scanner.analysis.columns import FAR_HIGH, SWING_HIGH
from scanner.analysis.rules import Rules
from tests.analysis.windows import Scene, T

BOTH_SIDES = pytest.mark.parametrize("sign", [1, -1])


def scene(close: float = 105.0) -> Scene:
    """Bars between 104 and 104.5, both averages far below."""
    made = Scene()
    made.lows[:], made.highs[:], made.closes[:] = 104.0, 104.5, 104.2
    made.closes[T], made.highs[T] = close, close
    return made


def words(sign: int, high: str, low: str) -> str:
    return high if sign > 0 else low


@BOTH_SIDES
def test_all_kinds_are_named_the_nearest_first(sign: int) -> None:
    made = scene()
    made.high(T - 40, 107.0, FAR_HIGH)
    made.high(T - 90, 109.0, FAR_HIGH)
    made.fast[T], made.slow[T] = 106.0, 108.0
    made.session_high, made.session_low = 107.5, 50.0
    assert made.obstacles(sign) == [
        (sign * 106.0, "50-bar average"),
        (sign * 107.0, words(sign, "swing high", "swing low")),
        (sign * 107.5, words(sign, "high of the session before", "low of the session before")),
        (sign * 108.0, "200-bar average"),
        (sign * 109.0, words(sign, "highest high of 250 bars", "lowest low of 250 bars")),
    ]


@BOTH_SIDES
def test_a_price_that_the_close_has_reached_is_not_an_obstacle(sign: int) -> None:
    made = scene()
    made.high(T - 40, 105.0, FAR_HIGH)
    made.fast[T] = 105.0
    made.session_high = made.session_low = 105.0
    assert made.obstacles(sign) == []
    made.high(T - 40, 105.01, FAR_HIGH)
    assert [price for price, _ in made.obstacles(sign)] == [sign * 105.01]


@BOTH_SIDES
def test_swing_points_count_from_the_span_on_and_once_they_are_confirmed(sign: int) -> None:
    for bar, counts in ((T - 249, True), (T - 250, False), (T - 6, True), (T - 5, False)):
        made = scene()
        made.high(bar, 106.0, FAR_HIGH)
        made.high(T - 100, 110.0)  # the highest of all is another
        assert (sign * 106.0 in [price for price, _ in made.obstacles(sign)]) == counts
    made = scene()
    made.high(T - 40, 106.0, SWING_HIGH)  # not a far one
    made.high(T - 100, 110.0)
    assert len(made.obstacles(sign)) == 1


@BOTH_SIDES
def test_the_highest_bar_counts_whether_or_not_it_is_a_swing_point_within_the_span(sign: int) -> None:
    made = scene()
    made.begin = 0
    for bar, counts in ((T, True), (T - 249, True), (T - 250, False)):
        made = scene()
        made.high(bar, 106.0)
        assert bool(made.obstacles(sign)) == counts
    made = scene()
    made.high(T - 250, 106.0, FAR_HIGH)
    rules = Rules(obstacle_span=251)
    assert [price for price, _ in made.obstacles(sign, rules)] == [sign * 106.0]


@BOTH_SIDES
def test_of_several_at_one_price_one_is_named(sign: int) -> None:
    made = scene()
    made.high(T - 40, 107.0, FAR_HIGH)
    made.high(T - 90, 107.0, FAR_HIGH)
    made.slow[T] = 107.0 * (1 + 1e-14)
    assert made.obstacles(sign) == [(sign * 107.0, words(sign, "highest high of 250 bars", "lowest low of 250 bars"))]


def test_bars_that_do_not_exist_are_not_read() -> None:
    made = scene()
    made.high(T - 200, 107.0, FAR_HIGH)
    made.begin = T - 199
    assert made.obstacles() == []
