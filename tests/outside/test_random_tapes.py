"""The random tapes contain what they are made for."""

from __future__ import annotations

from scanner.trade.rulebook import Rulebook
from tests.laws import bars_of, engine
from tests.outside.plain_reading import DIRECTIONS
from tests.outside.plain_terms import Bar
from tests.outside.random_tapes import step_of, tape


def test_a_tape_is_a_tape() -> None:
    assert repr(tape(7)) == repr(tape(7))
    for seed in range(40):
        bars = [Bar.of(*row) for row in tape(seed)]
        assert 600 <= len(bars) <= 1500
        for bar in bars:
            assert bar.low <= min(bar.open, bar.close) <= max(bar.open, bar.close) <= bar.high
            assert all(price % step_of(seed) == 0 for price in (bar.open, bar.high, bar.low, bar.close))


def test_the_random_tapes_hold_every_place_both_ways_up() -> None:
    found = [
        event.data
        for seed in range(60)
        for event in engine(str(step_of(seed)), Rulebook()).push(bars_of(tape(seed)))
        if event.facts.begins
    ]
    places = {(name, data["direction"]) for data in found for name, at in data["places"].items() if at["verdict"]}
    assert places == {(name, side) for name in ("line", "average", "level", "turn") for side in DIRECTIONS}
    assert {data["exit_plan"]["style"] for data in found} == {"ride", "quick"}
    assert {data["evidence_total"] for data in found} == {9, 10}
