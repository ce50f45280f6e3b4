"""Plain loops over arrays, for compiled code.

They run over views that start at zero: only then does the compiler know that no index is negative, and puts several
values into one instruction.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from scanner.compiling import compiled

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


@compiled
def copy(values: NDArray[Any], out: NDArray[Any]) -> None:
    """Copy values to an array that does not overlap them."""
    for i in range(len(out)):
        out[i] = values[i]


@compiled
def copy_twice(values: NDArray[Any], out: NDArray[Any], other: NDArray[Any]) -> None:
    """Copy values to two such arrays."""
    for i in range(len(out)):
        out[i] = values[i]
        other[i] = values[i]


@compiled
def fill(out: Floats, value: float) -> None:
    """Write one value everywhere."""
    for i in range(len(out)):
        out[i] = value
