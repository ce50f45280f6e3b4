"""Laws of the places on invented tapes."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pytest

from scanner.analysis.columns import (
    CLOSE,
    COLUMNS,
    FAST_AVERAGE,
    HIGH,
    LOW,
    SLOW_AVERAGE,
)
from scanner.analysis.indicators.swing_marks import mark_swings
from scanner.analysis.places import PLACE_NAMES, structure
from scanner.analysis.rules import Rules

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

STRICT, PLAIN = Rules(), Rules(place_quality="plain")
BARS, STEP = 1_200, 7


@cache
def tape(seed: int) -> tuple[Floats, Floats]:
    """Invent closes, highs and lows of a market that trends for a while and rests; gives deep rows and series rows."""
    rng = np.random.default_rng(seed)
    drift = np.repeat(rng.normal(0, 0.12, BARS // 40), 40)
    closes = np.round(200 + np.cumsum(drift + rng.normal(0, 0.5, BARS)), 2)
    opens = np.r_[closes[0], closes[:-1]]
    highs = np.round(np.maximum(opens, closes) + rng.integers(0, 40, BARS) * 0.01, 2)
    lows = np.round(np.minimum(opens, closes) - rng.integers(0, 40, BARS) * 0.01, 2)
    series = np.full((COLUMNS, BARS), np.nan)
    series[HIGH], series[LOW], series[CLOSE] = highs, lows, closes
    series[FAST_AVERAGE] = pd.Series(closes).rolling(50).mean()
    series[SLOW_AVERAGE] = pd.Series(closes).rolling(200).mean()
    atr = pd.Series(highs - lows).ewm(alpha=1 / 14, adjust=False).mean().to_numpy()
    return np.array([highs, lows, closes, atr]), series


def look(deep: Floats, series: Floats, t: int, sign: int, rules: Rules) -> dict[str, Any]:
    marks = np.zeros(deep.shape[1], dtype=np.uint8)
    spare = np.empty((4, deep.shape[1] + 12))
    mark_swings(deep[1], deep[0], marks, 0, 0, deep.shape[1], (3, 6), spare)
    found, room = np.zeros(1, dtype=structure.PLACES), structure.room_to_look(rules)
    structure.look(deep, marks, series, t, 0, 0, float(sign), rules.record, deep[3, t], found, room)
    return {name: found[name][0] for name in structure.PLACES.names or ()}


def mirrored(deep: Floats, series: Floats) -> tuple[Floats, Floats]:
    other = -series
    other[[HIGH, LOW]] = -series[[LOW, HIGH]]
    return np.array([-deep[1], -deep[0], -deep[2], deep[3]]), other


def same(one: dict[str, Any], other: dict[str, Any], factor: float = 1.0) -> None:
    for name, value in one.items():
        price = name.endswith(("_price", "_slope"))
        assert other[name] == pytest.approx(factor * value if price else value, rel=1e-9, nan_ok=True), name


@pytest.mark.parametrize("seed", range(4))
def test_places_have_a_mirror_and_later_bars_change_nothing(seed: int) -> None:
    deep, series = tape(seed)
    for t in range(300, BARS, 5 * STEP):
        for rules in (STRICT, PLAIN):
            found = look(deep, series, t, 1, rules)
            same(found, look(*mirrored(deep, series), t, -1, rules), -1.0)
            same(found, look(deep[:, : t + 1].copy(), series[:, : t + 1].copy(), t, 1, rules))


def test_the_strict_reading_holds_less_often_and_only_where_the_plain_one_does() -> None:
    held = {quality: dict.fromkeys(PLACE_NAMES, 0) for quality in ("strict", "plain")}
    for seed in range(8):
        for t in range(300, BARS, STEP):
            for sign in (1, -1):
                strict, plain = (look(*tape(seed), t, sign, rules) for rules in (STRICT, PLAIN))
                for name in PLACE_NAMES:
                    held["strict"][name] += strict[name]
                    held["plain"][name] += plain[name]
                    # Not so of a turn: its window is longer, so that the high may lie before the plain one.
                    assert plain[name] or not strict[name] or name == "turn"
    for name in PLACE_NAMES:
        assert 10 < held["strict"][name] < held["plain"][name]
