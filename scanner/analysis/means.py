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
def _doubled(pieces: Floats, width: int, out: Floats) -> None:
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
def means(values: Floats, lengths: tuple[int, ...], outs: tuple[Floats, ...], spare: tuple[Floats, Floats]) -> None:
    """Give the means of the last so many values, for each of the last values; NaN where there are too few.

    A sum is put together of pieces of 1, 2, 4, … values, each the sum of its two halves (pairwise summation): it is
    a new one for every bar, so that nothing is carried along that could drift.

    ``outs`` are as long as each other, and there is one for each of the ``lengths``; ``spare`` is room to work in,
    two arrays as long as ``values``.
    """
    pieces, width, turn, longest = values, 1, 0, max(lengths)
    for n in range(len(lengths)):
        outs[n][: max(lengths[n] + len(outs[n]) - 1 - len(values), 0)] = np.nan
    while True:
        for n in range(len(lengths)):
            length, out = lengths[n], outs[n]
            begin, before = len(values) - len(out) + 1 - length, length & (width - 1)
            lacking = max(-begin, 0)
            if length & width and lacking < len(out):
                factor = 1.0 / length if 2 * width > length else 1.0
                if before:
                    _put_on(pieces[begin + lacking + before :], factor, out[lacking:])
                else:
                    _put(pieces[begin + lacking :], factor, out[lacking:])
        if 2 * width > min(longest, len(values)):
            return
        longer = spare[turn][: len(pieces) - width]
        _doubled(pieces, width, longer)
        pieces, width, turn = longer, 2 * width, 1 - turn
