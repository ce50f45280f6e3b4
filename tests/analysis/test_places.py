"""Each threshold of the places, just met and just missed, for long and for short."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import pytest

from scanner.analysis.columns import SWING_HIGH, SWING_LOW
from scanner.analysis.places import describe, safest
from scanner.analysis.rules import Rules
from tests.analysis.windows import ATR, Scene, T, bars_at

if TYPE_CHECKING:
    from collections.abc import Callable
    from decimal import Decimal

    from scanner.event_data import PlaceFound
    from tests.analysis.windows import Floats

P = T - 6
"""The bar of the pullback's low: early in the window, so that a swing low may stand close before it."""
PLAIN = {"place_quality": "plain"}


@dataclass
class Case:
    """A threshold: what meets it and what misses it by one step, and what the words say then.

    ``loosened`` are rules by which what missed it holds after all.
    """

    name: str
    scene: Callable[..., Scene]
    met: dict[str, Any]
    missed: dict[str, Any]
    words: str = ""
    loosened: dict[str, Any] = field(default_factory=dict)
    rules: dict[str, Any] = field(default_factory=dict)


def words_of(scene: Scene, sign: int, rules: Rules) -> dict[str, PlaceFound]:
    def as_it_is(price: Decimal) -> Decimal:
        return price

    return describe(scene.look(sign, rules), rules, sign, ATR, as_it_is)


def line(
    *,
    slope: float = 0.1,
    span: int = 30,
    last_gap: int = 10,
    off: float = 0.0,
    depth: float = 0.0,
    close: float = 0.0,
    third: float | None = None,
    away: float = 2.0,
    away_at: int = P - 2,
    slow_now: float = 200.0,
) -> Scene:
    """Draw a line through 100 at bar i to the pullback's low at P, and one bar between them far above it."""
    scene = Scene()
    j = P - last_gap
    i = j - span

    def at(bar: int) -> float:
        return 100 + slope * (bar - i)

    def put(array: Floats, bar: int, price: float) -> None:
        array[bar] = round(price, 6)

    for bar in range(i, T + 1):
        higher = max(at(bar), at(P)) if bar >= P - 3 else at(bar)  # none of the pullback's bars is as low as P
        for array, more in ((scene.lows, 0.8), (scene.closes, 0.85), (scene.highs, 0.9)):
            put(array, bar, higher + more)
    put(scene.lows, i, at(i))
    put(scene.lows, j, at(j))
    scene.marks[[i, j]] = SWING_LOW
    put(scene.lows, P, at(P) + off)
    put(scene.highs, away_at, at(away_at) + away)
    put(scene.lows, i + 2, at(i + 2) - depth)
    put(scene.closes, i + 3, at(i + 3) - close)
    put(scene.lows, i + 3, at(i + 3) - close)
    if third is not None:
        put(scene.lows, i + 5, at(i + 5) + third)
        scene.marks[i + 5] = SWING_LOW
    scene.slow[: T - 5], scene.slow[T - 5 :] = 200.0, slow_now
    return scene


LINES = [
    Case("near", line, {"off": 0.35}, {"off": 0.36}, "", {"place_tolerance": 0.36}),
    Case("near", line, {"off": -0.35}, {"off": -0.36}, "", {"place_tolerance": 0.36}),
    Case("gap", line, {"span": 10, "third": 0.0}, {"span": 9, "third": 0.0}, "no trend line", {"line_gap": 9}),
    Case("last", line, {"last_gap": 5}, {"last_gap": 4}, "4 bars before the", {"line_last_gap": 4}),
    Case("steep", line, {"slope": 0.35}, {"slope": 0.351}, "moves 0.351 ATR a bar", {"line_slope_max": 0.351}),
    Case("flat", line, {"slope": 0.03}, {"slope": 0.029}, "moves 0.029 ATR a bar", {"line_slope_min": 0.029}),
    Case("depth", line, {"depth": 0.5}, {"depth": 0.51}, "is 0.51 ATR", {"line_depth": 0.51}),
    Case("pierced", line, {"close": 0.25}, {"close": 0.26}, "no trend line", {"line_tolerance": 0.26}),
    Case("long", line, {"span": 20}, {"span": 19}, "wanted are 3 touches or 20 bars", {"line_long": 19}),
    Case("touches", line, {"span": 19, "third": 0.0}, {"span": 19}, "2 touches", {"line_touches": 2}),
    Case(
        "touch", line, {"span": 19, "third": 0.25}, {"span": 19, "third": 0.26}, "2 touches", {"line_tolerance": 0.26}
    ),
    Case("away", line, {"away": 1.5}, {"away": 1.49}, "only 1.49 ATR away", {"line_away": 1.49}),
    Case("away before", line, {"away_at": P - 1}, {"away_at": P}, "ATR away", {"line_away": 0.8}),
    Case("away after", line, {"away_at": P - 9}, {"away_at": P - 10}, "ATR away", {"line_away": 0.8}),
    Case("trend", line, {"slow_now": 200.0}, {"slow_now": 199.99}, "the trend is against it"),
]


def average(
    *,
    slow: bool = False,
    off: float = 0.0,
    rise: float = 0.4,
    away: float = 3.0,
    away_at: int = P - 10,
    close: float = 1.0,
    slow_now: float = 200.0,
) -> Scene:
    """Let the pullback come back to an average at 100; the other average is flat, unless it is to fall."""
    scene = Scene(fast=bars_at(50.0), slow=bars_at(200.0))
    averages = scene.slow if slow else scene.fast
    averages[: T - 9] = 100.0
    averages[T - 9 :] = 100.0 + rise
    if not slow:
        scene.slow[T - 5 :] = slow_now
    scene.lows[P - 60 : T + 1], scene.highs[P - 60 : T + 1] = 101.0, 101.5
    scene.low(P, round(averages[P] + off, 6))
    for bar in range(P - 60, P):
        scene.highs[bar] = averages[bar] + 1
    scene.high(away_at, round(averages[away_at] + away, 6))
    scene.closes[T] = round(averages[T] + close, 6)
    return scene


AVERAGES = [
    Case("near", average, {"off": 0.35}, {"off": 0.36}, "", {"place_tolerance": 0.36}),
    Case("near", average, {"off": -0.35}, {"off": -0.36}, "", {"place_tolerance": 0.36}),
    Case("fast rise", average, {"rise": 0.25}, {"rise": 0.249}, "it moved 0.249 ATR", {"fast_average_rise": 0.249}),
    Case(
        "slow rise",
        average,
        {"rise": 0.1, "slow": True},
        {"rise": 0.099, "slow": True},
        "it moved 0.099 ATR",
        {"slow_average_rise": 0.099},
    ),
    Case("close", average, {"close": 0.01}, {"close": 0.0}, "the close is not"),
    Case("away", average, {"away": 2.0}, {"away": 1.99}, "only 1.99 ATR away", {"average_away": 1.99}),
    Case("away when", average, {"away_at": P - 20}, {"away_at": P - 21}, "1 ATR away", {"average_away_bars": 21}),
    Case("trend", average, {"slow_now": 200.0}, {"slow_now": 199.99}, "the trend is against it"),
]


def level(*, off: float = 0.0, gap: int = 10, last_gap: int = 10, away: float = 3.0, away_after: int = 2) -> Scene:
    """Let a swing high and a swing low stand near the pullback's low at 100, and price leave between."""
    scene = Scene()
    scene.lows[P - 60 : T + 1], scene.highs[P - 60 : T + 1] = 100.5, 101.0
    scene.low(P, 100.0)
    last = P - last_gap
    scene.low(last, 100.0 + off, SWING_LOW)
    scene.lows[last - gap] = 99.0
    scene.high(last - gap, 100.0 - off, SWING_HIGH)
    scene.high(last + away_after, 100.0 + away)
    return scene


LEVELS = [
    Case("near", level, {"off": 0.35}, {"off": 0.36}, "", {"place_tolerance": 0.36}),
    Case("near", level, {"off": -0.35}, {"off": -0.36}, "", {"place_tolerance": 0.36}),
    Case("gap", level, {"gap": 10}, {"gap": 9}, "within 9 bars (wanted 10)", {"level_gap": 9}),
    Case("last", level, {"last_gap": 5}, {"last_gap": 4}, "", {"level_last_gap": 4}),
    Case("away", level, {"away": 2.0}, {"away": 1.99}, "only 1.99 ATR away", {"level_away": 1.99}),
    Case("away after", level, {"away_after": 1}, {"away_after": 0}, "ATR away", {"level_away": 1.0}),
]


def turn(*, depth: float = 6.0, high_at: int = P - 30, lower_at: int = T - 100, begin: int = 100) -> Scene:
    """Let price fall to 100 at P, from a high; one earlier bar was as low or lower."""
    scene = Scene(begin=begin)
    scene.lows[:], scene.highs[:] = 101.0, 102.0
    scene.low(P, 100.0)
    scene.high(high_at, 100.0 + depth)
    scene.low(lower_at, 99.99)
    return scene


TURNS = [
    Case("depth", turn, {"depth": 5.0}, {"depth": 4.99}, "", {"turn_depth": 4.99}),
    Case("window", turn, {"lower_at": T - 60}, {"lower_at": T - 59}, "not the", {"turn_window": 59}),
    Case("high", turn, {"high_at": T - 59}, {"high_at": T - 60}, "", {"turn_window": 61}),
    Case("high before", turn, {"high_at": P}, {"high_at": P + 1}, ""),
    Case("enough bars", turn, {"begin": T - 59}, {"begin": T - 58}, "", {"turn_window": 59}),
]

OLD_LINES = [
    Case("near", line, {"off": 0.5}, {"off": 0.51}, "", {"plain_tolerance": 0.51}, PLAIN),
    Case("gap", line, {"span": 5}, {"span": 4}, "no trend line", {"plain_line_gap": 4}, PLAIN),
    Case("pierced", line, {"close": 0.25}, {"close": 0.26}, "no trend line", {"line_tolerance": 0.26}, PLAIN),
]
OLD_AVERAGES = [
    Case("near", average, {"off": 0.5}, {"off": 0.51}, "", {"plain_tolerance": 0.51}, PLAIN),
    Case("rise", average, {"rise": 0.001}, {"rise": 0.0}, "no average", {}, PLAIN),
]
OLD_LEVELS = [
    Case("near", level, {"off": 0.5}, {"off": 0.51}, "", {"plain_tolerance": 0.51}, PLAIN),
    Case("last", level, {"last_gap": 3, "off": 0.1}, {"last_gap": 2, "off": 0.1}, "", {"swing_strength": 2}, PLAIN),
]
OLD_TURNS = [
    Case("depth", turn, {"depth": 3.0}, {"depth": 2.99}, "", {"plain_turn_depth": 2.99}, PLAIN),
    Case("window", turn, {"lower_at": T - 40}, {"lower_at": T - 39}, "not the", {"plain_turn_window": 39}, PLAIN),
]

ALL = [
    pytest.param(kind, case, sign, id=f"{case.rules.get('place_quality', 'strict')} {kind}: {case.name} {sign:+}")
    for kind, cases in (
        ("line", LINES + OLD_LINES),
        ("average", AVERAGES + OLD_AVERAGES),
        ("level", LEVELS + OLD_LEVELS),
        ("turn", TURNS + OLD_TURNS),
    )
    for case in cases
    for sign in (1, -1)
]


@pytest.mark.parametrize(("kind", "case", "sign"), ALL)
def test_a_place_holds_on_its_threshold_and_not_beyond(kind: str, case: Case, sign: int) -> None:
    rules = Rules(**case.rules)
    met, missed = case.scene(**case.met), case.scene(**case.missed)
    found = words_of(met, sign, rules)[kind]
    assert found["verdict"]
    assert "but" not in found["text"]
    found = words_of(missed, sign, rules)[kind]
    assert not found["verdict"]
    assert case.words in found["text"]
    if case.loosened:
        assert words_of(missed, sign, Rules(**(case.rules | case.loosened)))[kind]["verdict"]


def test_the_words_name_all_that_a_place_lacks() -> None:
    rules = Rules()
    assert words_of(line(span=19, last_gap=4), 1, rules)["line"]["text"] == (
        "the pullback's low in ATR from a trend line with 2 touches, 19 bars, "
        "but its last point is 4 bars before the low (wanted 5), wanted are 3 touches or 20 bars"
    )
    assert words_of(line(depth=0.6), -1, rules)["line"]["text"].endswith(
        "but a high is 0.6 ATR above it (wanted at most 0.5)"
    )
    assert words_of(average(close=-0.1, rise=0.2), -1, rules)["average"]["text"] == (
        "the pullback's high in ATR from the 50-bar average, "
        "but it moved 0.2 ATR in 10 bars (wanted 0.25), the close is not below it"
    )
    assert words_of(level(gap=9, away=1.5), 1, rules)["level"]["text"] == (
        "swing points within 0.35 ATR of the pullback's low, "
        "but they lie within 9 bars (wanted 10), price was only 1.5 ATR away in between (wanted 2)"
    )


@pytest.mark.parametrize("sign", [1, -1])
def test_the_averages_of_bars_that_do_not_exist_are_not_read(sign: int) -> None:
    for begin, there in ((T - 10, True), (T - 9, False)):
        scene = average(slow_now=199.0)
        scene.begin = begin
        found = scene.look(sign, Rules(place_quality="plain"))
        assert (found["trend"], bool(found["average"])) == ((-1, True) if there else (0, False))


@pytest.mark.parametrize("sign", [1, -1])
def test_a_turn_against_the_trend_says_so(sign: int) -> None:
    scene = turn()
    assert "against the trend" not in words_of(scene, sign, Rules())["turn"]["text"]
    scene.slow[: T - 5], scene.slow[T - 5 :] = 300.0, 299.0
    found = words_of(scene, sign, Rules())
    assert found["turn"]["verdict"]
    assert found["turn"]["text"].endswith("est of 60 bars, against the trend")
    assert "trend" not in words_of(scene, sign, Rules(place_quality="plain"))["turn"]["text"]


@pytest.mark.parametrize("sign", [1, -1])
def test_the_safest_place_is_named_with_its_price(sign: int) -> None:
    found = words_of(line(off=0.2), sign, Rules())
    assert safest(found) == "line"
    # From 100, by 0.1 a bar over 40 bars.
    assert (found["line"]["price"], found["line"]["measured"]) == (f"{'-' if sign < 0 else ''}104.0", 0.2)
    seen = line(off=0.2).look(sign)
    assert (seen["bottom"], seen["line_from"], seen["line_to"]) == (T - P, T - P + 40, T - P + 10)
    assert seen["line_slope"] == pytest.approx(sign * 0.1)


def test_a_line_that_holds_is_named_before_one_with_more_touches_that_does_not() -> None:
    scene = line()
    # Two more swing lows, 0.3 below the line at 45 and 4 bars before P; the latter is too close to P.
    for bar in (P - 45, P - 4):
        scene.low(bar, round(103.7 - 0.1 * (P - bar), 6), SWING_LOW)
    found = scene.look()
    assert (bool(found["line"]), found["line_from"], found["line_to"]) == (True, T - P + 45, T - P + 10)
    assert found["line_touches"] == 2
    # From 40 bars before P to 4, with the one at 10 a quarter of an ATR above it.
    found = scene.look(1, Rules(line_last_gap=4))
    assert (bool(found["line"]), found["line_from"], found["line_to"]) == (True, T - P + 40, T - P + 4)
    assert found["line_touches"] == 3


@pytest.mark.parametrize("sign", [1, -1])
def test_the_nearer_of_two_averages_that_hold_is_named(sign: int) -> None:
    scene = average(off=0.2)
    scene.slow = scene.fast - 0.1  # as far from P as can be within the tolerance
    assert scene.look(sign)["average_length"] == 50
    scene.slow = scene.fast + 0.1
    assert scene.look(sign)["average_length"] == 200
    scene.closes[T] = scene.slow[T]  # beyond the fast average alone
    assert scene.look(sign)["average_length"] == 50
