"""Means of the last so many values, for every bar of a slice at once."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numba import njit

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


# These loops run over views from zero on: only then does the compiler know that no index is negative, and puts several
# bars into one instruction.


@njit(cache=True, error_model="numpy")
def _doubled(pieces: Floats, width: np.int64, out: Floats) -> None:
    """Sum pieces twice as long: each and the one that begins ``width`` values later."""
    later = pieces[width:]
    for i in range(len(out)):
        out[i] = pieces[i] + later[i]


@njit(cache=True, error_model="numpy")
def _put_on(pieces: Floats, factor: float, out: Floats) -> None:
    for i in range(len(out)):
        out[i] = (out[i] + pieces[i]) * factor


@njit(cache=True, error_model="numpy")
def _put(pieces: Floats, factor: float, out: Floats) -> None:
    for i in range(len(out)):
        out[i] = pieces[i] * factor


@njit(cache=True, error_model="numpy")
def means(values: Floats, length: int, out: Floats, spare: tuple[Floats, Floats]) -> None:
    """Give the means of the last ``length`` values, for each of the last values; NaN where there are too few.

    A sum is put together of pieces of 1, 2, 4, … values, each the sum of its two halves (pairwise summation): it is
    a new one for every bar, so that nothing is carried along that could drift. ``spare`` is room to work in, two
    arrays as long as ``values``.
    """
    begin = len(values) - len(out) + 1 - length
    lacking = min(max(-begin, 0), len(out))
    out[:lacking] = np.nan
    if lacking == len(out):
        return
    full, begin = out[lacking:], begin + lacking
    pieces, width, turn = values, np.int64(1), 0
    while True:
        if length & width:
            before = length & (width - 1)
            factor = 1.0 / length if 2 * width > length else 1.0
            if before:
                _put_on(pieces[begin + before :], factor, full)
            else:
                _put(pieces[begin:], factor, full)
        if 2 * width > length:
            return
        longer = spare[turn][: len(pieces) - width]
        _doubled(pieces, width, longer)
        pieces, width, turn = longer, 2 * width, 1 - turn
