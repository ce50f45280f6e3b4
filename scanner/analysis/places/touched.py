"""What a suspected bad tick affects of a setup: its bars, its ATR, its places, and the averages."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from scanner.analysis.columns import ATR, DEEP_CLOSE, DEEP_HIGH, DEEP_LOW
from scanner.analysis.rules import TIE

if TYPE_CHECKING:
    from collections.abc import Collection

    from numpy.typing import NDArray

    from scanner.analysis.door.setup import Setup
    from scanner.analysis.indicators.spikes import Spike
    from scanner.analysis.pool import Pool
    from scanner.analysis.rules import Rules
    from scanner.event_data import Place

    Floats = NDArray[np.float64]


def touched(pool: Pool, row: int, index: int, places: Any, setup: Setup[Any]) -> str:
    """Say in a clause how a suspected bad tick up to a bar affects a setup at its ``places``; empty if none does.

    It is among the bars that the rules of the setup can look back at; it makes up more than a tenth of the ATR; a place
    that the setup needs and that holds rests on it; or its whole body is beyond, and without its close the averages and
    the close would be in another order, or the averages would move the other way. The latest such tick is described.
    """
    atr = float(pool.columns[row, ATR, index])
    held: list[Place] = [name for name in setup.places if places[name]]
    whole = []
    for back, spike in pool.spikes_by(row, index):
        if not back:
            return "its last bar is a suspected bad tick"
        tick = f"a suspected bad tick {back} {'bar' if back == 1 else 'bars'} earlier"
        if back <= setup.looks_back:
            return f"{tick} is among the bars that its rules can look back at"
        if spike.makes_up(atr, back, pool.rules.atr_length):
            part = spike.part_of(atr, back, pool.rules.atr_length)
            return f"{tick} makes up {100 * part:.0f} % of its ATR"
        for name in held:
            if _rests_on(name, pool, row, index, places, back, spike):
                return f"{tick} is one of the bars that its place, the {name}, rests on"
        if spike.whole:
            whole.append(back)
    if whole and _turns_averages(pool, row, index, whole):
        return f"a suspected bad tick {whole[0]} bars earlier puts its averages out of order"
    return ""


def _rests_on(name: Place, pool: Pool, row: int, index: int, places: Any, back: int, spike: Spike) -> bool:
    rules = pool.rules
    if name == "line":
        return bool(back == places["line_from"] or back <= places["line_to"])
    if name == "average":
        window = int(places["average_length"]) + max(int(places["bottom"]), rules.average_rise)
        return back <= places["bottom"] + rules.average_away_bars or (spike.whole and back < window)
    if name == "level":
        if back <= places["level_to"] or back > places["level_from"]:
            return bool(back <= places["level_to"])
        at = index + pool.shift - back
        tie = TIE * abs(places["bottom_price"])
        near = abs(pool.deep[row, [DEEP_HIGH, DEEP_LOW], at] - places["bottom_price"]) <= places["tolerance"] + tie
        return bool(near.any())
    return back < (rules.turn_window if rules.place_quality == "strict" else rules.plain_turn_window)


def _turns_averages(pool: Pool, row: int, index: int, backs: Collection[int]) -> bool:
    """Say whether order or direction of close and averages would differ without the closes of some bars."""
    rules, last = pool.rules, index + pool.shift
    bars = min(rules.slow_average + rules.average_rise, pool.number_of(row, index) + 1)
    closes = pool.deep[row, DEEP_CLOSE, last + 1 - bars : last + 1]
    kept = np.ones(bars, dtype=np.bool_)
    kept[[bars - 1 - back for back in backs if back < bars]] = False
    return _order(closes, kept, rules) != _order(closes, np.ones(bars, dtype=np.bool_), rules)


def _order(closes: Floats, kept: NDArray[np.bool_], rules: Rules) -> list[int]:
    """Give the order of close and averages, and the directions of the averages, by the bars that are kept."""

    def mean(length: int, ago: int) -> float:
        part = slice(max(len(closes) - ago - length, 0), len(closes) - ago)
        left = closes[part][kept[part]]
        return float(left.mean()) if len(left) and length + ago <= len(closes) else float("nan")

    close, rise = float(closes[-1]), rules.average_rise
    fast, fast_before = mean(rules.fast_average, 0), mean(rules.fast_average, rise)
    slow, slow_before = mean(rules.slow_average, 0), mean(rules.slow_average, rise)
    pairs = (close, fast), (close, slow), (fast, slow), (fast, fast_before), (slow, slow_before)
    tie = TIE * abs(close)
    return [int(one - other > tie) - int(other - one > tie) for one, other in pairs]
