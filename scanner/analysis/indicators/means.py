"""Means of the last values: for every bar of a slice at once, or for one bar.

A sum is built from pieces of 1, 2, 4, … values, each the sum of its two halves (pairwise summation). It is computed
again for every bar, so that no running sum can drift. Both ways add the same pieces in the same order, and so give the
same bits.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from scanner.compiling import compiled, inlined

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


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
def means(values: Floats, lengths: tuple[int, ...], outs: tuple[Floats, ...], spare: tuple[Floats, Floats]) -> None:
    """Give the mean of the last lengths[k] values for each of the last values in outs[k]; NaN if there are too few.

    ``spare`` is working space: two arrays as long as ``values``.
    """
    longest = 0
    for k in range(len(lengths)):
        longest = max(longest, lengths[k])
        outs[k][: _lacking(values, lengths[k], outs[k])] = np.nan
    pieces, width, turn = values, np.int64(1), 0
    while True:
        for k in range(len(lengths)):
            length, lacking = lengths[k], _lacking(values, lengths[k], outs[k])
            full = outs[k][lacking:]
            if length & width and len(full):
                before = length & (width - 1)
                begin = len(values) - len(full) + 1 - length + before
                factor = 1.0 / length if 2 * width > length else 1.0
                if before:
                    _put_on(pieces[begin:], factor, full)
                else:
                    _put(pieces[begin:], factor, full)
        if 2 * width > min(longest, len(values)):
            return
        longer = spare[turn][: len(pieces) - width]
        _doubled(pieces, width, longer)
        pieces, width, turn = longer, 2 * width, 1 - turn


@inlined
def _lacking(values: Floats, length: int, out: Floats) -> int:
    """Count the first means for which there are too few values."""
    return min(max(length - 1 - (len(values) - len(out)), 0), len(out))


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
    for i in range(count >> 3):
        k = first + 8 * i
        half = (values[k] + values[k + 1]) + (values[k + 2] + values[k + 3])
        out[i] = half + ((values[k + 4] + values[k + 5]) + (values[k + 6] + values[k + 7]))
    return total


@compiled
def mean(values: Floats, end: int, length: int, spare: Floats) -> float:
    """Give the mean of the last ``length`` values before ``end``; there must be as many.

    ``spare`` is working space, an eighth as long as ``length``.
    """
    total = _eights(values, end - length, length, -0.0, spare)  # with −0.0 every first piece stays as it is
    count = length >> 3
    while count:
        total = _eights(spare, 0, count, total, spare)
        count >>= 3
    return total * (1.0 / length)
