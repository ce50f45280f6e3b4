"""The lowest and the highest of each so many values in a row.

Stretches are joined from two halves, so that a long one takes few passes. The halves overlap if the length is not a
power of two: that changes no extreme. The loops run over views that start at zero: only then does the compiler know
that no index is negative, and puts several bars into one instruction.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from scanner.compiling import inlined

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


@inlined
def lowest_of_each(pieces: Floats, width: int, length: int, spare: Floats, row: int) -> tuple[Floats, int]:
    """Make the lowest of each ``length`` values in a row from ``pieces``, the lowest of each ``width``.

    It works in the two rows of ``spare``, from ``row`` on; the row returned is the one that the result is not in.
    """
    while width < length:
        by = min(width, length - width)
        later, wider = pieces[by:], spare[row][: len(pieces) - by]
        for i in range(len(wider)):
            wider[i] = min(pieces[i], later[i])
        pieces, width, row = wider, width + by, 1 - row
    return pieces, row


@inlined
def highest_of_each(pieces: Floats, width: int, length: int, spare: Floats, row: int) -> tuple[Floats, int]:
    """Make the highest of each ``length`` values in a row from ``pieces``, as ``lowest_of_each`` does."""
    while width < length:
        by = min(width, length - width)
        later, wider = pieces[by:], spare[row][: len(pieces) - by]
        for i in range(len(wider)):
            wider[i] = max(pieces[i], later[i])
        pieces, width, row = wider, width + by, 1 - row
    return pieces, row
