"""Rows on their way from a file to bars: prices as numbers already, times still as they were written."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from adapters.feeds.files.cells.arrow import as_text, flat, owned
from adapters.feeds.files.trouble import quoted

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from adapters.feeds.files.cells.arrow import Column
    from adapters.feeds.files.cells.columns import Columns

NO_VALUE = ("", "-", "null", "NULL", "Null", "None", "none", "NA", "N/A", "n/a", "nil")
"""What stands in a cell that has no value. In place of a volume it means that there is none."""
_NUMBER = r"^[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?$|^[+-]?(?i:nan|inf|infinity)$"


@dataclass(slots=True)
class Cells:
    """Rows of one file.

    ``time`` and ``symbol`` are Arrow arrays; ``numbers`` has a float64 array for each column of numbers that the file
    has. ``unreadable`` says by row number what stood where something could not be read.
    """

    row: NDArray[np.int64]
    time: Column
    symbol: Column | None = None
    numbers: dict[str, NDArray[np.float64]] = field(default_factory=dict)
    unreadable: dict[int, str] = field(default_factory=dict)

    def column(self, name: str) -> NDArray[np.float64]:
        """Give a column of numbers, NaN throughout where the file has none."""
        found = self.numbers.get(name)
        return np.full(len(self.row), np.nan) if found is None else found

    def take_number(self, name: str, cells: Column) -> None:
        """Read a column of numbers; what is no number becomes NaN and is told in ``unreadable``."""
        values, bad = to_numbers(cells)
        if name == "volume" and bad.any():
            bad &= ~np.asarray(pc.is_in(as_text(cells), pa.array([*NO_VALUE, None], pa.string())))
        self.complain(name, cells, bad)
        self.numbers[name] = values

    def complain(self, name: str, cells: Column, bad: NDArray[np.bool_]) -> None:
        """Tell what stood in the ``bad`` ones of a column's cells."""
        where = np.flatnonzero(bad)
        if not len(where):
            return
        for row, cell in zip(self.row[where].tolist(), as_text(cells.take(pa.array(where))).to_pylist(), strict=True):
            said = self.unreadable.get(row)
            if cell or not said:
                self.unreadable[row] = f"{said + ', ' if said else ''}{name} {quoted(cell)}"

    @classmethod
    def joined(cls, parts: Sequence[Cells]) -> Cells:
        """Put rows of one file end to end."""
        if len(parts) == 1:
            return parts[0]
        return cls(
            np.concatenate([part.row for part in parts]),
            pa.concat_arrays([part.time for part in parts]),
            None if parts[0].symbol is None else pa.concat_arrays([part.symbol for part in parts]),
            {name: np.concatenate([part.numbers[name] for part in parts]) for name in parts[0].numbers},
            {row: text for part in parts for row, text in part.unreadable.items()},
        )


def assembled(columns: Columns, row: NDArray[np.int64], found: Sequence[Column], told: dict[int, str]) -> Cells:
    """Make rows of columns in the order of ``columns.wanted``; ``told`` is what is known to be unreadable already."""
    times = len(columns.time)
    time = flat(found[0]) if times == 1 else clock_times(*map(as_text, found[:times]))
    cells = Cells(row, time, None if columns.symbol is None else as_text(found[-1]), unreadable=told)
    for name, column in zip(columns.numbers, found[times:], strict=False):
        cells.take_number(name, column)
    return cells


def clock_times(date: Column, time: Column) -> Column:
    """Join dates and times of day that stand in two columns, the usual marks put in where they are left out."""
    time = pc.utf8_trim_whitespace(time)
    for pattern, by in ((r"^(\d{2})(\d{2})(\d{2})?$", r"\1:\2:\3"), (r":$", ""), (r"^(\d):", r"0\1:")):
        time = pc.replace_substring_regex(time, pattern, by)
    date = pc.replace_substring_regex(pc.utf8_trim_whitespace(date), r"^(\d{4})(\d{2})(\d{2})$", r"\1-\2-\3")
    return pc.binary_join_element_wise(date, time, " ")


def to_numbers(cells: Column) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Give a column as float64, and where it holds no number; both arrays may be written to."""
    cells = flat(cells)
    if pa.types.is_dictionary(cells.type):
        cells = cells.dictionary_decode()
    if pa.types.is_float32(cells.type) or pa.types.is_decimal(cells.type):
        # The price meant is the shortest that stands for this number: 1.1, not 1.10000002384.
        cells = cells.cast(pa.string())
    if pa.types.is_integer(cells.type) or pa.types.is_float16(cells.type) or pa.types.is_null(cells.type):
        cells = cells.cast(pa.float64(), safe=False)
    if not pa.types.is_floating(cells.type):
        cells = _parsed(cells.cast(pa.string()))
    bad = np.asarray(cells.is_null()) if cells.null_count else np.zeros(len(cells), dtype=np.bool_)
    return owned(cells), bad


def _parsed(text: Column) -> Column:
    try:
        return text.cast(pa.float64())
    except pa.ArrowInvalid:
        text = pc.utf8_trim_whitespace(text)
        return pc.if_else(pc.match_substring_regex(text, _NUMBER), text, None).cast(pa.float64())
