"""The plain reading of places at each threshold, on the same hand-made scenes as the engine."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from scanner.analysis.columns import SWING_HIGH, SWING_LOW
from tests.analysis.test_places import AVERAGES, LEVELS, LINES, OLD_AVERAGES, OLD_LEVELS, OLD_LINES, OLD_TURNS, TURNS
from tests.analysis.windows import ATR, T
from tests.outside.plain_indicators import Tape
from tests.outside.plain_places import find_places
from tests.outside.plain_terms import Bar, Rules, exact

if TYPE_CHECKING:
    from tests.analysis.test_places import Case
    from tests.analysis.windows import Scene


class LaidOut(Tape):
    """A scene as a tape, with the averages and swing points that the scene gives."""

    def __init__(self, scene: Scene) -> None:
        there = slice(scene.begin, T + 1)
        closes, highs, lows = (list(map(exact, part[there])) for part in (scene.closes, scene.highs, scene.lows))
        super().__init__([Bar(c, h, low, c, volume=None) for c, h, low in zip(closes, highs, lows, strict=True)])
        self.fast = list(map(exact, scene.fast[there]))
        self.slow = list(map(exact, scene.slow[there]))
        self.atr = [exact(ATR)] * len(self)
        marks = scene.marks[there]
        self.swing_lows, self.swing_highs = ((marks & kind).astype(bool).tolist() for kind in (SWING_LOW, SWING_HIGH))


def holds(scene: Scene, kind: str, rules: Rules) -> bool:
    tape = LaidOut(scene)
    return find_places(tape, len(tape) - 1, rules).prices[kind] is not None


@pytest.mark.parametrize(
    ("kind", "case"),
    [
        pytest.param(kind, case, id=f"{case.rules.get('place_quality', 'strict')} {kind}: {case.name}")
        for kind, cases in (
            ("line", LINES + OLD_LINES),
            ("average", AVERAGES + OLD_AVERAGES),
            ("level", LEVELS + OLD_LEVELS),
            ("turn", TURNS + OLD_TURNS),
        )
        for case in cases
    ],
)
def test_a_place_holds_on_its_threshold_and_not_beyond(kind: str, case: Case) -> None:
    rules = Rules(**case.rules)
    assert holds(case.scene(**case.met), kind, rules)
    assert not holds(case.scene(**case.missed), kind, rules)
