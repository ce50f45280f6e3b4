"""Tables of bars in memory: DataFrames of pandas."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pyarrow as pa

from adapters.feeds.files.cells.columns import find_columns
from adapters.feeds.files.kinds.typed import TypedTable
from adapters.feeds.files.trouble import UnreadableFileError, quoted

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from adapters.feeds.files.cells.arrow import Column
    from adapters.feeds.files.trouble import ReadingOptions

INDEX = "index of times"
"""The name given to an unnamed index of times."""


class FrameTable(TypedTable):
    """One DataFrame, which is only read; ``path`` is its name in messages.

    Levels of its index are columns like the others. A named level that holds moments is the time, whatever the columns
    are called; an unnamed one is the time only if no column is.
    """

    form = "DataFrame"

    def __init__(self, path: Path, frame: pd.DataFrame, options: ReadingOptions) -> None:
        levels = [(name, level) for name, level in _levels(frame) if not isinstance(level, pd.RangeIndex)]
        names = [name for name, _ in levels] + [str(name) for name in frame.columns]
        moments = [name for name, level in levels if isinstance(level, pd.DatetimeIndex)]
        told = {role for role, _ in options.columns}
        if moments and "time" not in told and names.count(moments[0]) == 1:
            options = replace(options, columns=(*options.columns, ("time", moments[0])))
        columns = find_columns(names, options, path)
        self._columns = [
            _arrow(path, names[index], levels[index][1] if index < len(levels) else frame.iloc[:, index - len(levels)])
            for index in columns.wanted
        ]
        super().__init__(path, columns, [column.type for column in self._columns], len(frame))

    def batches(self, size: int) -> Iterator[Sequence[Column]]:
        """Give the wanted columns, as views."""
        for start in range(0, self.count, size):
            yield [column.slice(start, size) for column in self._columns]


def _levels(frame: pd.DataFrame) -> Iterator[tuple[str, Any]]:
    """Give the levels of the index by name; periods as the moments at which they begin."""
    for number, name in enumerate(frame.index.names):
        level = frame.index if frame.index.nlevels == 1 else frame.index.get_level_values(number)
        if isinstance(level, pd.PeriodIndex):
            level = level.to_timestamp()
        nameless = INDEX if isinstance(level, pd.DatetimeIndex) else ""
        yield nameless if name is None else str(name), level


def _arrow(path: Path, name: str, values: Any) -> Column:  # noqa: ANN401 - an index or a column of pandas
    """Give an Arrow column that cannot be used to write into the frame; plain numbers and moments are not copied."""
    try:
        if values.dtype == np.float64:
            found = pa.array(_locked(values.to_numpy()))
        elif values.dtype.kind == "M" and not values.hasnans:
            moments = pd.DatetimeIndex(values)
            whole = pa.py_buffer(_locked(moments.asi8))
            found = pa.Array.from_buffers(pa.array(moments[:1]).type, len(moments), [None, whole])
        else:
            found = pa.array(values.copy(deep=True), from_pandas=True)
    except (pa.ArrowException, TypeError, ValueError, OverflowError) as problem:
        raise UnreadableFileError(
            f"{path}: the column {quoted(name)} holds values of several kinds; give all of them the same type"
        ) from problem
    return found.combine_chunks() if isinstance(found, pa.ChunkedArray) else found


def _locked(values: NDArray[Any]) -> NDArray[Any]:
    """Give a contiguous, read-only array."""
    plain = np.ascontiguousarray(values).view()
    plain.setflags(write=False)
    return plain
