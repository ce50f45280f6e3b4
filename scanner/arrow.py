"""Arrow columns made of arrays and lists. pyarrow's own way would import pandas, which takes long."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray


def texts(values: Sequence[str]) -> pa.StringArray:
    """Give a column of texts."""
    encoded = [value.encode() for value in values]
    ends = np.cumsum([0, *map(len, encoded)], dtype=np.int32)
    return pa.Array.from_buffers(pa.string(), len(encoded), [None, pa.py_buffer(ends), pa.py_buffer(b"".join(encoded))])


def numbers(values: NDArray[Any]) -> pa.Array:
    """Give a column of whole numbers, floats, marks or times in nanoseconds; NaT is missing, NaN is not."""
    kind, valid = pa.from_numpy_dtype(values.dtype), None
    if values.dtype.kind == "M":
        kind, valid = pa.timestamp("ns", "UTC"), pa.py_buffer(np.packbits(~np.isnat(values), bitorder="little"))
    if values.dtype.kind == "b":
        values = np.packbits(own := values, bitorder="little")
        return pa.Array.from_buffers(kind, len(own), [None, pa.py_buffer(values)])
    return pa.Array.from_buffers(kind, len(values), [valid, pa.py_buffer(np.ascontiguousarray(values))])
