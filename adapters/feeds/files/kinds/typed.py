"""Tables whose columns have types: files of Parquet, and tables in memory."""

from __future__ import annotations

from functools import lru_cache
from itertools import islice
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa

from adapters.feeds.files.cells.arrow import is_text
from adapters.feeds.files.cells.cells import Rows
from adapters.feeds.files.times.stamps import is_time
from adapters.feeds.files.trouble import UnreadableFileError, quoted

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from adapters.feeds.files.cells.arrow import Column, Kind
    from adapters.feeds.files.cells.columns import Columns
    from adapters.feeds.files.cells.numbers import Mark

ROWS = 1 << 18
BEGINNING = 1 << 10
KEPT = 64
"""Types whose sort is kept: most files that are read together have the same."""


class TypedTable:
    """One table; its rows are numbered from 1. ``kinds`` are the types of the wanted columns, in their order."""

    by_program = True
    open_end = False

    def __init__(self, path: Path, columns: Columns, kinds: Sequence[Kind], count: int) -> None:
        self.columns = columns
        self.count = count
        by_index = dict(zip(columns.wanted, kinds, strict=True))
        texts = any(is_text(by_index[index]) for index in columns.numbers.values())
        self.decimal: Mark | None = None if texts else "."
        self._kinds = kinds
        self._types_tell = not texts and len(columns.time) == 1 and is_time(kinds[0])
        if not count:
            raise UnreadableFileError(f"{path}: it has no rows; put bars in it")
        self._check_types(path, by_index)

    def _check_types(self, path: Path, kinds: dict[int, Kind]) -> None:
        columns, written = self.columns, {"text", "number"}
        moment = written | ({"moment"} if len(columns.time) == 1 else {"moment", "clock"})
        checks = [(index, moment, "a time must be a timestamp, a date, a text or a number") for index in columns.time]
        checks += [(index, written, f"the {name} must be a number") for name, index in columns.numbers.items()]
        if columns.symbol is not None:
            checks.append((columns.symbol, written, "an instrument must be named by a text"))
        for index, allowed, must in checks:
            if sort_of(kinds[index]) not in allowed:
                raise UnreadableFileError(
                    f"{path}: the column {quoted(columns.names[index])} is of type {kinds[index]}; {must}"
                )

    def batches(self, size: int) -> Iterator[Sequence[Column]]:
        """Give the wanted columns in their order, a number of rows at a time."""
        raise NotImplementedError

    def beginning(self) -> Iterator[Sequence[Rows]]:
        """Give the first rows, or none, only the types of their columns, if these say everything."""
        if self._types_tell:
            return iter([[Rows(np.arange(0), [pa.nulls(0, kind) for kind in self._kinds])]])
        return islice(self._blocks(BEGINNING), 1)

    def whole(self, *, numbers_only: bool) -> Iterator[Sequence[Rows]]:  # noqa: ARG002 - all may tell
        """Give all rows."""
        return self._blocks(ROWS)

    def expect(self, rows: Rows, decimal: Mark) -> None:
        """Do nothing: the types of the columns are known."""

    def read(self, decimal: Mark) -> Iterator[Sequence[Rows]]:  # noqa: ARG002 - text stays text here
        """Give all rows, some hundred thousand at a time."""
        for block in self._blocks(ROWS):
            yield block
            self.told(len(block[0].row))

    def told(self, rows: int) -> None:
        """Take note that more rows were read."""

    def _blocks(self, size: int) -> Iterator[Sequence[Rows]]:
        row = 1
        for columns in self.batches(size):
            count = len(columns[0])
            yield [Rows(np.arange(row, row + count), columns)]
            row += count


@lru_cache(KEPT)
def sort_of(kind: Kind) -> str:
    """Say what a column holds: number, text, moment, clock (a time of day) or other."""
    kinds = pa.types
    if kinds.is_dictionary(kind):
        kind = kind.value_type
    sorts = {
        "number": (kinds.is_integer, kinds.is_floating, kinds.is_decimal, kinds.is_null),
        "text": (is_text,),
        "moment": (is_time,),
        "clock": (kinds.is_time,),
    }
    return next((sort for sort, tests in sorts.items() if any(test(kind) for test in tests)), "other")
