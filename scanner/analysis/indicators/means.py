"""Means of the last values: for every bar of a slice at once, or for one bar.

A sum is built from pieces of 1, 2, 4, … values, each the sum of its two halves (pairwise summation). Both ways add the
same pieces in the same order, and so give the same bits. Where a mean may be close to zero, it is computed in this way
for every bar. Long means of prices are running ones: from bar to bar only one value enters the sum and one leaves it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from scanner.analysis.indicators.arrays import fill
from scanner.compiling import compiled, inlined

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Pair = tuple[int, int]

REFRESH = 256
"""Values after which a running sum is added up again, so that no rounding lasts longer."""

NOTHING = np.zeros(REFRESH)
"""What leaves a sum that is not full yet."""

# These loops run over views that start at zero: only then does the compiler know that no index is negative, and puts
# several bars into one instruction.


@compiled
def _doubled(pieces: Floats, width: np.int64, out: Floats) -> None:
    """Make pieces twice as long: the sums of each and the one that begins ``width`` values later."""
    later = pieces[width:]
    for i in range(len(out)):
        out[i] = pieces[i] + later[i]


@compiled
def _put_on(pieces: Floats, factor: float, out: Floats) -> None:
    for i in range(len(out)):
        out[i] = (out[i] + pieces[i]) * factor


@compiled
def _put(pieces: Floats, factor: float, out: Floats) -> None:
    for i in range(len(out)):
        out[i] = pieces[i] * factor


@compiled
def means(values: Floats, length: int, out: Floats, spare: tuple[Floats, Floats]) -> None:
    """Give the mean of the last ``length`` values for each of the last values in ``out``; NaN if there are too few.

    ``spare`` is working space: two arrays as long as ``values``.
    """
    lacking = min(max(length - 1 - (len(values) - len(out)), 0), len(out))
    fill(out[:lacking], np.nan)
    full = out[lacking:]
    first = len(values) - len(full) + 1 - length
    pieces, width, turn = values, np.int64(1), 0
    while width <= length and len(full):
        before = length & (width - 1)
        factor = 1.0 / length if 2 * width > length else 1.0
        if length & width and before:
            _put_on(pieces[first + before :], factor, full)
        elif length & width:
            _put(pieces[first:], factor, full)
        if 2 * width <= length:
            longer = spare[turn][: len(pieces) - width]
            _doubled(pieces, width, longer)
            pieces, turn = longer, 1 - turn
        width *= 2


@inlined
def _eights(values: Floats, first: int, count: int, total: float, out: Floats) -> float:
    """Sum values eight by eight into ``out``; gives ``total`` plus the values before them, in pieces of 1, 2 and 4."""
    if count & 1:
        total += values[first]
        first += 1
    if count & 2:
        total += values[first] + values[first + 1]
        first += 2
    if count & 4:
        total += (values[first] + values[first + 1]) + (values[first + 2] + values[first + 3])
        first += 4
    rest, to = values[first:], out[: count >> 3]
    for i in range(len(to)):
        v = rest[8 * i : 8 * i + 8]
        to[i] = ((v[0] + v[1]) + (v[2] + v[3])) + ((v[4] + v[5]) + (v[6] + v[7]))
    return total


@compiled
def total_of(values: Floats, end: int, length: int, spare: Floats) -> float:
    """Give the sum of the last ``length`` values before ``end``; there must be as many.

    ``spare`` is working space, an eighth as long as ``length``.
    """
    total = _eights(values, end - length, length, -0.0, spare)  # with −0.0 every first piece stays as it is
    count = length >> 3
    while count:
        total = _eights(spare, 0, count, total, spare)
        count >>= 3
    return total


@compiled
def running_means(
    values: Floats, seen: int, lengths: Pair, totals: tuple[float, float], outs: tuple[Floats, Floats], spare: Floats
) -> tuple[float, float]:
    """Give the means of the last lengths[k] values at each of the last values, in outs[k]; NaN if there are too few.

    ``seen`` values came before these. ``totals`` are the sums up to then; the sums up to the last value are returned.
    ``spare`` is working space, an eighth as long as each length.
    """
    fasts, slows = outs
    fast, slow = lengths
    fast_total, slow_total = totals
    factors = 1.0 / fast, 1.0 / slow
    news, done = len(fasts), 0
    while done < news:
        before, at = seen + done, len(values) - news + done
        if before % REFRESH == 0:
            fast_total = total_of(values, at, fast, spare) if before >= fast else fast_total
            slow_total = total_of(values, at, slow, spare) if before >= slow else slow_total
        count = min(REFRESH - before % REFRESH, news - done)
        for length in lengths:  # nothing leaves the sum until it is full
            count = min(count, length - before) if before < length else count
        own, left_fast, left_slow = values[at : at + count], NOTHING, NOTHING
        if before >= fast:
            left_fast = values[at - fast : at - fast + count]
        if before >= slow:
            left_slow = values[at - slow : at - slow + count]
        to_fasts, to_slows = fasts[done : done + count], slows[done : done + count]
        for i in range(count):
            fast_total += own[i] - left_fast[i]
            slow_total += own[i] - left_slow[i]
            to_fasts[i], to_slows[i] = fast_total * factors[0], slow_total * factors[1]
        done += count
    for length, out in ((fast, fasts), (slow, slows)):
        fill(out[: max(0, min(length - 1 - seen, news))], np.nan)
    return fast_total, slow_total
