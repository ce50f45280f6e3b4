"""Means of the last values: for every bar of a slice at once, or for one bar.

A sum is built from pieces of 1, 2, 4, … values, each the sum of its two halves (pairwise summation). Both ways add the
same pieces in the same order, and so give the same bits. Where a mean may be close to zero, it is computed in this way
for every bar. The kernel's long means of prices are running ones, whose sums are added up again from time to time.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from scanner.analysis.indicators.arrays import fill
from scanner.compiling import compiled, inlined

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


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
