"""Spikes: bars that lie so far beyond the bars before them that they look like bad ticks.

A bar is a spike if it reaches more than ``spike_atr`` ATR beyond all of the ``atr_length`` bars before it and beyond
its own open and close, or if its whole body lies so far beyond them. ATR is that of the bar before: a bar is judged by
what came before it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from scanner.analysis.columns import ATR, CLOSE, HIGH, LOW, OPEN
from scanner.analysis.rules import TIE
from scanner.compiling import compiled, inlined

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from scanner.analysis.rules import Rules

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]

SPIKE = np.dtype([("number", np.int64), ("true_range", np.float64), ("whole", np.bool_)])
"""A spike as it is kept; see ``Spike``."""
GREATEST_PART = 0.1
"""The part of an ATR from which on a spike distorts it: a tenth of every distance given in ATR."""
ROUNDING = 1e-9


class Spike(NamedTuple):
    """A spike in a series: its bar's number, from 0 on, its true range, and whether its whole body is beyond."""

    number: int
    true_range: float
    whole: bool

    def part_of(self, atr: float, back: int, length: int) -> float:
        """Give the part of an ATR that it makes up ``back`` bars later: less with each bar."""
        return self.true_range / length * (1 - 1 / length) ** back / atr

    def makes_up(self, atr: float, back: int, length: int) -> bool:
        """Say whether it makes up so much of an ATR that distances in ATR are unreliable; nothing of an ATR of 0."""
        return atr > 0.0 and self.part_of(atr, back, length) > GREATEST_PART


@inlined
def beyond(prices: Floats, t: int, bars: int) -> tuple[float, float]:
    """Measure how far bar t reaches beyond the bars before it and its own body, and how far its whole body does.

    Both are in price, and negative if it does not.
    """
    highest, lowest = prices[HIGH, t - 1], prices[LOW, t - 1]
    for m in range(t - bars, t - 1):
        highest, lowest = max(highest, prices[HIGH, m]), min(lowest, prices[LOW, m])
    top, bottom = max(prices[OPEN, t], prices[CLOSE, t]), min(prices[OPEN, t], prices[CLOSE, t])
    reach = max(prices[HIGH, t] - max(highest, top), min(lowest, bottom) - prices[LOW, t])
    return reach, max(bottom - highest, lowest - top)


@inlined
def is_further(distance: float, prices: Floats, t: int, atr: float, rules: Any) -> bool:
    """Say whether a distance makes bar t a spike; ``atr`` is that of the bar before.

    After bars that did not move at all, nothing is a spike.
    """
    tie = TIE * max(abs(prices[HIGH, t]), abs(prices[LOW, t]))
    return bool(atr > 0.0 and distance > rules.spike_atr * atr + tie)


@compiled
def find(
    columns: Floats, rows: Integers, first: Integers, stop: Integers, rules_of_one: NDArray[Any], found: Integers
) -> int:
    """Write (row, bar, whether its whole body is beyond) of each spike among bars first[k]…stop[k]−1 of series rows[k].

    Gives how many. ``columns`` (series × COLUMNS × bars) holds these bars with their indicators, and ``atr_length``
    bars or more before them. ``found`` (n × 3) has room for every bar.
    """
    rules = rules_of_one[0]
    # A bar so far away raises the ATR by as much, which shows without looking at the bars before it.
    length = rules.atr_length
    lifted = (length - 1 + rules.spike_atr) / length * (1.0 - ROUNDING)
    count = 0
    for k in range(len(rows)):
        series = columns[rows[k]]
        atrs, before = series[ATR, first[k] : stop[k]], series[ATR, first[k] - 1 : stop[k] - 1]
        any_lifted = 0
        for i in range(len(atrs)):
            any_lifted += atrs[i] > lifted * before[i]
        if any_lifted == 0:
            continue
        for i in range(len(atrs)):
            if atrs[i] > lifted * before[i]:
                t = first[k] + i
                reach, body = beyond(series, t, length)
                if is_further(max(reach, body), series, t, before[i], rules):
                    found[count, 0], found[count, 1] = rows[k], t
                    found[count, 2] = is_further(body, series, t, before[i], rules)
                    count += 1
    return count


def words(prices: Floats, t: int, atr: float, rules: Rules) -> str:
    """Say in a clause what is odd about the spike at bar t of ``prices`` (open, high, low, close × bars, or more)."""
    before = prices[:, t - rules.atr_length : t]
    highest, lowest = float(before[HIGH].max()), float(before[LOW].min())
    open_, high, low, close = (float(prices[row, t]) for row in (OPEN, HIGH, LOW, CLOSE))
    ends = f"its open {open_:.10g} and close {close:.10g} lie", ""
    furthest, (what, besides), beyond = max(
        (
            high - max(highest, open_, close),
            (f"its high {high:.10g} lies", ", and above its own open and close"),
            "above",
        ),
        (min(lowest, open_, close) - low, (f"its low {low:.10g} lies", ", and below its own open and close"), "below"),
        (min(open_, close) - highest, ends, "above"),
        (lowest - max(open_, close), ends, "below"),
    )
    return f"{what} {furthest / atr:,.1f} ATR {beyond} the {rules.atr_length} bars before it{besides}"
