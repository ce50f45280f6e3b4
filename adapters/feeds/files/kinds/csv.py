"""Tables of bars in CSV: fields between commas, semicolons or tabs, with or without quotes."""

from __future__ import annotations

import csv
import re
from contextlib import suppress
from typing import TYPE_CHECKING, Any

import pyarrow as pa
from pyarrow import csv as arrow_csv

from adapters.feeds.files.cells.cells import NO_VALUE
from adapters.feeds.files.cells.columns import PRICES, find_columns
from adapters.feeds.files.kinds.lines import BadLineError
from adapters.feeds.files.trouble import UnreadableFileError, quoted

if TYPE_CHECKING:
    from pathlib import Path

    from adapters.feeds.files.cells.arrow import Kind, Table
    from adapters.feeds.files.trouble import ReadingOptions

DELIMITERS = (",", ";", "\t")


class CsvLines:
    """The lines of one CSV file, known by its header, which is the first line that is not blank."""

    def __init__(self, path: Path, head: list[str], options: ReadingOptions) -> None:
        at = next(index for index, line in enumerate(head) if line.strip())
        if "\r" in head[at]:
            raise UnreadableFileError(f"{path}: its lines end in carriage returns alone; save it with usual line ends")
        self._delimiter = max(DELIMITERS, key=lambda mark: len(_fields(head[at], mark)))
        names = [name.strip() for name in _fields(head[at], self._delimiter)]
        self.columns = find_columns(names, options.stamp, path)
        self.first_line = at + 2
        rows = [line for line in head[at + 1 :] if line.strip()]
        if not rows:
            raise UnreadableFileError(f"{path}: it has a header and no rows; put bars in it")
        first = _fields(rows[0], self._delimiter)
        comma = next(
            (first[index] for index in self.columns.numbers.values() if index < len(first) and _comma(first[index])),
            None,
        )
        if comma is not None:
            raise UnreadableFileError(
                f"{path}: numbers are written with a comma, as {quoted(comma)}; "
                "write them with a decimal point and no commas"
            )
        self._typed, self._as_text = self._arrow_options(pa.float64()), self._arrow_options(pa.string())

    def _arrow_options(self, number: Kind) -> dict[str, Any]:
        # The names in the header may not be unique; these are.
        names = [str(index) for index in range(len(self.columns.names))]
        types = {names[index]: pa.string() for index in self.columns.wanted}
        types |= {names[index]: number for index in self.columns.numbers.values()}
        return {
            "read_options": arrow_csv.ReadOptions(column_names=names),
            "parse_options": arrow_csv.ParseOptions(delimiter=self._delimiter, ignore_empty_lines=False),
            "convert_options": arrow_csv.ConvertOptions(
                column_types=types,
                include_columns=[names[index] for index in self.columns.wanted],
                null_values=list(NO_VALUE),
                strings_can_be_null=False,
            ),
        }

    def table(self, block: bytes) -> Table | None:
        """Read a block of whole rows at once; None where a line is none."""
        if block.count(b"\r") != block.count(b"\r\n"):
            return None
        with suppress(pa.ArrowInvalid):
            found = arrow_csv.read_csv(pa.BufferReader(block), **self._typed)
            begin = len(self.columns.time)
            if not any(found.column(index).null_count for index in range(begin, begin + len(PRICES))):
                return found
        # A blank line would pass for a row of empty cells.
        if re.search(rb"(^|\n)\r?\n", block):
            return None
        with suppress(pa.ArrowInvalid):
            return arrow_csv.read_csv(pa.BufferReader(block), **self._as_text)
        return None

    def cells(self, line: str) -> list[str | None] | None:
        """Read one line; None for a blank one."""
        if not line.strip():
            return None
        fields = _fields(line, self._delimiter)
        if len(fields) != len(self.columns.names):
            count = f"{len(fields)} field{'s' * (len(fields) != 1)} instead of {len(self.columns.names)}"
            raise BadLineError(f"{count}: {quoted(line)}")
        return [fields[index] for index in self.columns.wanted]


def _fields(line: str, delimiter: str) -> list[str]:
    """Take one line apart; a quoted line end is no part of a field, so that a row is always one line."""
    try:
        return next(csv.reader([line], delimiter=delimiter), [])
    except csv.Error:  # a field of more than 131,072 letters
        return [line]


def _comma(cell: str) -> bool:
    return bool(re.fullmatch(r"\s*[+-]?\d+,\d+\s*", cell))
