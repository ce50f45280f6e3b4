"""The random tapes contain what they are made for."""

from __future__ import annotations

from collections import Counter

from tests.outside.plain_reading import DIRECTIONS, read
from tests.outside.plain_terms import Bar
from tests.outside.random_tapes import step_of, tape


def bars_of(seed: int) -> list[Bar]:
    return [Bar.of(*row) for row in tape(seed)]


def test_a_tape_is_a_tape() -> None:
    assert repr(tape(7)) == repr(tape(7))
    for seed in range(40):
        bars = bars_of(seed)
        assert 600 <= len(bars) <= 1500
        for bar in bars:
            assert bar.low <= min(bar.open, bar.close) <= max(bar.open, bar.close) <= bar.high
            assert all(price % step_of(seed) == 0 for price in (bar.open, bar.high, bar.low, bar.close))


def test_the_random_tapes_hold_every_place_both_ways_up() -> None:
    found = [one for seed in range(60) for one in read(bars_of(seed), {"step": step_of(seed)})]
    places = Counter((name, one.direction) for one in found for name, price in one.places.items() if price is not None)
    assert set(places) == {(name, side) for name in ("line", "average", "level", "turn") for side in DIRECTIONS}
    assert {one.levels.exit_plan for one in found} == {"ride", "quick"}
    assert {one.points[1] for one in found} == {9, 10}
