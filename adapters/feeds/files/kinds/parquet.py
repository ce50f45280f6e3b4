"""Tables of bars in Parquet."""

from __future__ import annotations

from contextlib import contextmanager
from itertools import islice
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
from pyarrow import parquet

from adapters.feeds.files.cells.arrow import is_text
from adapters.feeds.files.cells.cells import Rows
from adapters.feeds.files.cells.columns import find_columns
from adapters.feeds.files.trouble import UnreadableFileError, quoted

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from adapters.feeds.files.cells.arrow import Kind, Table
    from adapters.feeds.files.cells.numbers import Mark
    from adapters.feeds.files.kinds.bytes import ByteFile
    from adapters.feeds.files.trouble import ReadingOptions

ROWS = 1 << 18
BEGINNING = 1 << 10


class ParquetTable:
    """One Parquet file; its rows are numbered from 1."""

    form = "Parquet"

    def __init__(self, file: ByteFile, options: ReadingOptions) -> None:
        self._file = file
        with _opened(file.path) as table:
            schema = table.schema_arrow
            self._count = table.metadata.num_rows
        self.columns = find_columns(schema.names, options, file.path)
        texts = any(is_text(schema.field(index).type) for index in self.columns.numbers.values())
        self.decimal: Mark | None = None if texts else "."
        self.by_program = True
        if not self._count:
            raise UnreadableFileError(f"{file.path}: it has no rows; put bars in it")
        self._check_types(schema)

    def _check_types(self, schema: Table) -> None:
        written = {"text", "number"}
        moment = written | ({"moment"} if len(self.columns.time) == 1 else {"moment", "clock"})
        checks = [
            (index, moment, "a time must be a timestamp, a date, a text or a number") for index in self.columns.time
        ]
        checks += [(index, written, f"the {name} must be a number") for name, index in self.columns.numbers.items()]
        if self.columns.symbol is not None:
            checks.append((self.columns.symbol, written, "an instrument must be named by a text"))
        for index, allowed, must in checks:
            field = schema.field(index)
            if _sort_of(field.type) not in allowed:
                raise UnreadableFileError(
                    f"{self._file.path}: the column {quoted(field.name)} is of type {field.type}; {must}"
                )

    def beginning(self) -> Iterator[Sequence[Rows]]:
        """Give the first rows."""
        return islice(self._blocks(BEGINNING, counted=False), 1)

    def whole(self, *, numbers_only: bool) -> Iterator[Sequence[Rows]]:  # noqa: ARG002 - all may tell
        """Give all rows."""
        return self._blocks(ROWS, counted=False)

    def expect(self, rows: Rows, decimal: Mark) -> None:
        """Do nothing: the types of the columns are known."""

    def read(self, decimal: Mark) -> Iterator[Sequence[Rows]]:  # noqa: ARG002 - text stays text here
        """Give all rows, some hundred thousand at a time."""
        return self._blocks(ROWS, counted=True)

    def _blocks(self, size: int, *, counted: bool) -> Iterator[Sequence[Rows]]:
        names = [self.columns.names[index] for index in self.columns.wanted]
        with _opened(self._file.path) as table:
            row = 1
            for batch in table.iter_batches(size, columns=names):
                found = [batch.column(name) for name in names]
                for column in found:
                    if _sort_of(column.type) == "text":
                        column.validate(full=True)  # text that is no UTF-8
                yield [Rows(np.arange(row, row + len(batch)), found)]
                row += len(batch)
                if counted:
                    self._file.progress.advance(self._file.size * len(batch) // self._count)


def _sort_of(kind: Kind) -> str:
    """Say what a column holds: number, text, moment, clock (a time of day) or other."""
    kinds = pa.types
    if kinds.is_dictionary(kind):
        kind = kind.value_type
    sorts = {
        "number": (kinds.is_integer, kinds.is_floating, kinds.is_decimal, kinds.is_null),
        "text": (kinds.is_string, kinds.is_large_string, kinds.is_string_view),
        "moment": (kinds.is_timestamp, kinds.is_date),
        "clock": (kinds.is_time,),
    }
    return next((sort for sort, tests in sorts.items() if any(test(kind) for test in tests)), "other")


@contextmanager
def _opened(path: Path) -> Iterator[Any]:
    try:
        with parquet.ParquetFile(path, page_checksum_verification=True) as table:
            yield table
    except (pa.ArrowException, OSError, MemoryError, UnicodeError) as problem:
        raise UnreadableFileError(f"{path}: the Parquet data are damaged or cut off; fetch the file again") from problem
