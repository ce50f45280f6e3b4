"""Rows between file and bars: prices are numbers already, times are still as written."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from adapters.feeds.files.cells.arrow import as_text, flat
from adapters.feeds.files.trouble import quoted

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from adapters.feeds.files.cells.arrow import Column
    from adapters.feeds.files.cells.columns import Columns
    from adapters.feeds.files.cells.numbers import NumberReader


@dataclass(frozen=True, slots=True)
class Rows:
    """Rows of one file as written: Arrow columns in the order of ``Columns.wanted``.

    ``row`` has their numbers, and ``unreadable`` quotes, by row number, rows that could not be split into cells.
    """

    row: NDArray[np.int64]
    columns: Sequence[Column]
    unreadable: dict[int, str] = field(default_factory=dict)

    def time(self, columns: Columns) -> Column:
        """Give the column of times; separate dates and times of day are joined."""
        times = len(columns.time)
        return flat(self.columns[0]) if times == 1 else clock_times(*map(as_text, self.columns[:times]))

    def numbers(self, columns: Columns) -> Iterator[tuple[str, Column]]:
        """Give the columns of numbers with what they hold."""
        return zip(columns.numbers, self.columns[len(columns.time) :], strict=False)


@dataclass(slots=True)
class Cells:
    """Rows of one file.

    ``time`` and ``symbol`` are Arrow arrays; ``numbers`` has a float64 array for each column of numbers in the file.
    ``unreadable`` quotes, by row number, what could not be read.
    """

    row: NDArray[np.int64]
    time: Column
    symbol: Column | None = None
    numbers: dict[str, NDArray[np.float64]] = field(default_factory=dict)
    unreadable: dict[int, str] = field(default_factory=dict)

    def column(self, name: str) -> NDArray[np.float64]:
        """Give a column of numbers, all NaN if the file does not have it."""
        found = self.numbers.get(name)
        return np.full(len(self.row), np.nan) if found is None else found

    @classmethod
    def of(cls, block: Sequence[Rows], columns: Columns, reader: NumberReader) -> Cells:
        """Read the numbers of a block of rows; other cells become NaN and are quoted in ``unreadable``."""
        parts = [cls._of_part(rows, columns, reader) for rows in block]
        if len(parts) == 1:
            return parts[0]
        return cls(
            np.concatenate([part.row for part in parts]),
            pa.concat_arrays([part.time for part in parts]),
            None if columns.symbol is None else pa.concat_arrays([part.symbol for part in parts]),
            {name: np.concatenate([part.numbers[name] for part in parts]) for name in parts[0].numbers},
            {row: text for part in parts for row, text in part.unreadable.items()},
        )

    @classmethod
    def _of_part(cls, rows: Rows, columns: Columns, reader: NumberReader) -> Cells:
        symbol = None if columns.symbol is None else as_text(rows.columns[-1])
        cells = cls(rows.row, rows.time(columns), symbol, unreadable=rows.unreadable)
        for name, column in rows.numbers(columns):
            values, bad = reader.read(name, column)
            cells.complain(name, column, bad)
            cells.numbers[name] = values
        return cells

    def complain(self, name: str, cells: Column, where: NDArray[np.intp]) -> None:
        """Quote some of a column's cells, given by their indices."""
        if not len(where):
            return
        for row, cell in zip(self.row[where].tolist(), as_text(cells.take(pa.array(where))).to_pylist(), strict=True):
            said = self.unreadable.get(row)
            if cell or not said:
                self.unreadable[row] = f"{said + ', ' if said else ''}{name} {quoted(cell)}"


def clock_times(date: Column, time: Column) -> Column:
    """Join dates and times of day from two columns, adding the usual marks if they are left out."""
    time = pc.utf8_trim_whitespace(time)
    for pattern, by in ((r"^(\d{1,2})(\d{2})(\d{2})?$", r"\1:\2:\3"), (r":$", ""), (r"^(\d):", r"0\1:")):
        time = pc.replace_substring_regex(time, pattern, by)
    date = pc.replace_substring_regex(pc.utf8_trim_whitespace(date), r"^(\d{4})(\d{2})(\d{2})$", r"\1-\2-\3")
    return pc.binary_join_element_wise(date, time, " ")
