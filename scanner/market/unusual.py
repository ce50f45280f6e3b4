"""One pass over rows that says which checks would find anything; nearly always none would."""

from __future__ import annotations

from math import isnan
from typing import TYPE_CHECKING

import numpy as np

from scanner.compiling import compiled, lent
from scanner.market.numbers import BEYOND_PRICES

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from scanner.market.bars import RawBars

    Floats = NDArray[np.float64]
    Times = NDArray[np.int64]

JUMP = 1.8
"""A price is noted if it is this many times its neighbour: just under 2, as after a split or in another unit."""

SEAMS, NUMBERS, VOLUMES, JUMPS, STILL = (1 << bit for bit in range(5))
"""What may be unusual about a row: it does not begin where the one before it ends; no bar can have its numbers; only
one of the two has a volume; its price jumps; it has neither range nor volume."""
EVERYTHING = SEAMS | NUMBERS | VOLUMES | JUMPS | STILL


def unusual(
    raw: RawBars, opens: Times, closes: Times, before: tuple[int, int] | None, last_row: tuple[float, ...]
) -> int:
    """Say what is unusual among some rows, as bits; 0 if nothing is.

    ``opens`` and ``closes`` are their times. ``before`` has those of the last bar taken, if there is one, and
    ``last_row`` its prices and volume; else nothing is unusual about the first row beside it.
    """
    end, close, without = opens[0], float(raw.open[0]), isnan(raw.volume[0])
    if before is not None:
        end, close, without = before[1], last_row[3], isnan(last_row[4])
    prices = lent(raw.open), lent(raw.high), lent(raw.low), lent(raw.close)
    return int(_look(lent(opens), lent(closes), *prices, lent(raw.volume), end, close, without, BEYOND_PRICES, JUMP))


@compiled
def _look(
    opens: Times,
    closes: Times,
    firsts: Floats,
    highs: Floats,
    lows: Floats,
    lasts: Floats,
    volumes: Floats,
    last_end: int,
    last_close: float,
    last_without: bool,
    beyond: float,
    jump: float,
) -> int:
    """Look at every row and the one before it; NaN fails all comparisons."""
    faults, still = 0, 0
    for i in range(len(opens)):
        sound = (lows[i] <= firsts[i]) & (firsts[i] <= highs[i]) & (lows[i] <= lasts[i]) & (lasts[i] <= highs[i])
        sound &= (lows[i] > -beyond) & (highs[i] < beyond)
        faults += (not sound) | (volumes[i] < 0.0) | (volumes[i] == np.inf)
        still += (highs[i] == lows[i]) & (volumes[i] == 0.0)
    least, most = min(lows[0], last_close), max(highs[0], last_close)
    jumps = int((least > 0.0) & (most >= jump * least))
    changes = int((volumes[0] != volumes[0]) != last_without)
    seams = int(opens[0] != last_end)
    next_opens, next_highs, next_lows, next_volumes = opens[1:], highs[1:], lows[1:], volumes[1:]
    for i in range(len(next_opens)):
        least, most = min(next_lows[i], lasts[i]), max(next_highs[i], lasts[i])
        jumps += (least > 0.0) & (most >= jump * least)
        changes += (next_volumes[i] != next_volumes[i]) != (volumes[i] != volumes[i])
        seams += next_opens[i] != closes[i]
    found = 0
    for count, what in ((seams, SEAMS), (faults, NUMBERS), (changes, VOLUMES), (jumps, JUMPS), (still, STILL)):
        found |= what if count else 0
    return found
