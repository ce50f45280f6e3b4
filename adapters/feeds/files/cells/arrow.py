"""Arrow columns, from any kind of file."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

if TYPE_CHECKING:
    from numpy.typing import NDArray

# pyarrow publishes no types: these names are for the reader.
Column = Any
"""An Arrow array."""
Table = Any
"""An Arrow table."""
Kind = Any
"""The type of an Arrow column."""


def flat(cells: Column) -> Column:
    """Put the chunks of a column together."""
    return cells.combine_chunks() if isinstance(cells, pa.ChunkedArray) else cells


def is_text(kind: Kind) -> bool:
    """Say whether a column holds text."""
    if pa.types.is_dictionary(kind):
        kind = kind.value_type
    return bool(pa.types.is_string(kind) or pa.types.is_large_string(kind) or pa.types.is_string_view(kind))


def as_text(cells: Column) -> Column:
    """Turn a column into text; numbers in their shortest exact form, whole ones without exponent."""
    cells = flat(cells)
    if pa.types.is_dictionary(cells.type):
        cells = cells.dictionary_decode()
    if pa.types.is_floating(cells.type):
        cells = cells.cast(pa.float64())
        cells = pc.if_else(pc.is_finite(cells), cells, None)
        whole = pc.and_(pc.equal(pc.floor(cells), cells), pc.less(pc.abs(cells), float(2**63)))
        if pc.all(whole).as_py() is not False:
            cells = cells.cast(pa.int64())
    return cells.cast(pa.string())


def lent(cells: Column) -> NDArray[Any]:
    """Give an Arrow column of numbers as an array, without a copy if it has no nulls.

    It may be written to, unless others own its memory.
    """
    data = cells.buffers()[1]
    if cells.null_count or data is None:
        return np.require(cells.to_numpy(zero_copy_only=False), requirements="W")
    dtype = np.dtype(cells.type.to_pandas_dtype())
    return np.frombuffer(data, dtype, len(cells), cells.offset * dtype.itemsize)
