"""Tables of bars in CSV: fields separated by a delimiter, with or without quotes."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pyarrow as pa
import pyarrow.compute as pc
from pyarrow import csv as arrow_csv

from adapters.feeds.files.cells.names import ENGLISH, plain
from adapters.feeds.files.cells.numbers import NO_VALUE
from adapters.feeds.files.kinds.header import fields_of, find_header
from adapters.feeds.files.kinds.lines import BadLineError
from adapters.feeds.files.trouble import UnreadableFileError, quoted
from adapters.feeds.raw_rows import PRICES
from scanner.arrow import texts
from scanner.wording.words import counted

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from adapters.feeds.files.cells.arrow import Table
    from adapters.feeds.files.cells.cells import Rows
    from adapters.feeds.files.cells.columns import Columns
    from adapters.feeds.files.cells.numbers import Mark
    from adapters.feeds.files.trouble import ReadingOptions


WITHOUT = texts(NO_VALUE)
DELIMITERS = {",": "commas", ";": "semicolons", "\t": "tabs", " ": "blanks"}


class CsvLines:
    """The lines of one CSV file, known by its header."""

    def __init__(self, path: Path, head: Sequence[str], options: ReadingOptions) -> None:
        if any("\r" in line for line in head):
            raise UnreadableFileError(f"{path}: its lines end in carriage returns only; save it with normal line ends")
        header = find_header(path, head, options)
        rows = [fields_of(line, header.delimiter) for line in head[header.line :]]
        self.columns = _with_volume(header.columns, rows)
        self.delimiter = header.delimiter
        self.name = f"CSV with {DELIMITERS.get(header.delimiter, header.delimiter)} between the fields"
        self.first_line = header.line + 1
        self.has_rows = any(any(map(str.strip, row)) for row in rows)
        self.decimal: Mark | None = None
        # Commas between fields and English names do not suggest decimal commas.
        names = {plain(self.columns.names[index]) for index in self.columns.numbers.values()}
        self.by_program = self.delimiter == "," and names <= ENGLISH
        self._as_text: set[str] = set()

    def expect(self, rows: Rows, decimal: Mark) -> None:
        """Find the columns whose numbers are not written plainly and are better read as text."""
        for name, column in rows.numbers(self.columns):
            text = pc.replace_substring(column, decimal, ".")
            try:
                text.filter(pc.invert(pc.is_in(text, WITHOUT))).cast(pa.float64())
            except pa.ArrowInvalid:
                self._as_text.add(name)

    def may_tell(self, block: bytes) -> bool:
        """Say whether a block can hold numbers with a mark in them."""
        return b"." in block or b"'" in block or (b'"' if self.delimiter == "," else b",") in block

    def _how(self, decimal: Mark | None) -> dict[str, Any]:
        # The names in the header may not be unique; these are.
        names = [str(index) for index in range(len(self.columns.names))]
        types = {names[index]: pa.string() for index in self.columns.wanted}
        if decimal is not None:
            typed = {name: index for name, index in self.columns.numbers.items() if name not in self._as_text}
            types |= {names[index]: pa.float64() for index in typed.values()}
        return {
            # With threads, one of Arrow may free the block while Python ends, which aborts the process.
            "read_options": arrow_csv.ReadOptions(column_names=names, use_threads=False),
            "parse_options": arrow_csv.ParseOptions(delimiter=self.delimiter, ignore_empty_lines=False),
            "convert_options": arrow_csv.ConvertOptions(
                column_types=types,
                include_columns=[names[index] for index in self.columns.wanted],
                null_values=list(NO_VALUE),
                strings_can_be_null=False,
                decimal_point=decimal or ".",
            ),
        }

    def table(self, block: bytes, decimal: Mark | None) -> Table | None:
        """Read a block of whole rows at once; None if a line is not a row."""
        if b"\r" in block and block.count(b"\r") != block.count(b"\r\n"):
            return None
        if decimal is not None:
            with suppress(pa.ArrowInvalid):
                found = arrow_csv.read_csv(pa.BufferReader(block), **self._how(decimal))
                begin = len(self.columns.time)
                if not any(found.column(index).null_count for index in range(begin, begin + len(PRICES))):
                    return found
        # A blank line would pass for a row of empty cells.
        if block.startswith((b"\n", b"\r\n")) or b"\n\n" in block or b"\n\r\n" in block:
            return None
        with suppress(pa.ArrowInvalid):
            return arrow_csv.read_csv(pa.BufferReader(block), **self._how(None))
        return None

    def cells(self, line: str, decimal: Mark | None) -> list[str | None] | None:  # noqa: ARG002 - text stays text
        """Read one line; None for a blank one."""
        if not line.strip():
            return None
        fields = fields_of(line, self.delimiter)
        if len(fields) != len(self.columns.names):
            count = f"{counted(len(fields), 'field')} instead of {len(self.columns.names)}"
            raise BadLineError(f"{count}: {quoted(line)}")
        return [fields[index] for index in self.columns.wanted]


def _with_volume(columns: Columns, rows: Sequence[Sequence[str]]) -> Columns:
    """Use the count of price changes as the volume if that is 0 in all of the first rows."""
    volume, spare = columns.volume, columns.spare_volume
    whole = [row for row in rows if len(row) == len(columns.names)]
    if volume is None or spare is None or any(row[volume].strip(" 0.,") for row in whole):
        return columns
    return replace(columns, volume=spare) if any(row[spare].strip(" 0.,") for row in whole) else columns
