"""The sieve: if the user so chooses, suspected bad ticks are removed from the rows before anything else reads them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from scanner.analysis.columns import CLOSE, HIGH, LOW
from scanner.analysis.indicators.running import true_range
from scanner.analysis.indicators.spikes import beyond, is_further, words
from scanner.compiling import compiled, fused
from scanner.market.splits import adjust

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from scanner.analysis.rules import Rules
    from scanner.market.bars import Bars
    from scanner.market.splits import Adjustment

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

STATE = np.dtype(
    [
        ("count", np.int64),  # bars let through
        ("true_range_sum", np.float64),  # until the first ATR
        ("atr", np.float64),
        ("refused", np.bool_),  # whether the last bar was taken out
    ]
)
PRICES = 4


@compiled
def _sift(
    bars: Floats, known: Flags, state_of_one: NDArray[Any], rules_of_one: NDArray[Any], room: Floats, atrs: Floats
) -> int:
    """Sift ``bars`` (open, high, low, close × bars) one after the other; gives how many prices are in ``room``.

    ``room`` holds the last bars let through before them, ``atr_length`` or as many as there are, and has room for all.
    In ``atrs`` a bar that is taken out gets the ATR with which it was compared, and any other 0.
    """
    state, rules = state_of_one[0], rules_of_one[0]
    length, end = rules.atr_length, min(state.count, rules.atr_length)
    for i in range(bars.shape[1]):
        for row in range(PRICES):
            room[row, end] = bars[row, i]
        atrs[i] = 0.0
        if state.count >= length and not (known[i] or state.refused):
            reach, body = beyond(room, end, length)
            if is_further(max(reach, body), room, end, state.atr, rules):
                atrs[i], state.refused = state.atr, True
                continue
        last = room[CLOSE, end - 1] if state.count else room[CLOSE, end]
        reached = true_range(room[HIGH, end], room[LOW, end], last) if state.count else room[HIGH, end] - room[LOW, end]
        state.count, state.refused, end = state.count + 1, False, end + 1
        if state.count <= length:
            state.true_range_sum += reached
            state.atr = state.true_range_sum / length
        else:
            state.atr = fused(1.0 - 1.0 / length, state.atr, reached / length)
    return end


class SpikeSieve:
    """Takes suspected bad ticks out of the bars of one series, but never two in a row.

    So a price that moves and stays is accepted with its second bar. Each bar is compared with those let through before
    it, adjusted for the known splits.
    """

    def __init__(self, rules: Rules, adjustments: Sequence[Adjustment] = ()) -> None:
        self._rules = rules
        self._adjustments = tuple(adjustments)
        self._state = np.zeros(1, dtype=STATE)
        self._last = np.empty((PRICES, 0))

    def sift(self, bars: Bars, known: Flags) -> dict[int, str]:
        """Give the bars to be taken out, and what is odd about each; those that are ``known`` stay."""
        adjusted = adjust(bars, self._adjustments)
        prices = np.array([adjusted.open, adjusted.high, adjusted.low, adjusted.close])
        before, atrs = self._last.shape[1], np.empty(len(bars))
        room = np.empty((PRICES, before + len(bars)))
        room[:, :before] = self._last
        end = _sift(prices, known, self._state, self._rules.record, room, atrs)
        self._last = room[:, max(end - self._rules.atr_length, 0) : end].copy()
        found = {}
        for place, index in enumerate(np.flatnonzero(atrs).tolist()):
            end = before + index - place  # of the bars let through before it
            around = np.column_stack([room[:, :end], prices[:, index]])
            found[index] = words(around, end, float(atrs[index]), self._rules)
        return found

    def snapshot(self) -> bytes:
        """Give the state from which a later run can resume."""
        return self._state.tobytes() + self._last.tobytes()

    def restore(self, snapshot: bytes) -> None:
        """Take the state from a ``snapshot``."""
        self._state = np.frombuffer(snapshot[: STATE.itemsize], dtype=STATE).copy()
        self._last = np.frombuffer(snapshot[STATE.itemsize :]).reshape(PRICES, -1).copy()
