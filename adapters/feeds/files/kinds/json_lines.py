"""Tables of bars in JSON lines: one object a line."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pyarrow as pa
from pyarrow import json as arrow_json

from adapters.feeds.files.cells.arrow import as_text
from adapters.feeds.files.cells.columns import find_columns
from adapters.feeds.files.kinds.lines import BadLineError
from adapters.feeds.files.trouble import UnreadableFileError, quoted
from adapters.feeds.raw_rows import PRICES

if TYPE_CHECKING:
    from pathlib import Path

    from adapters.feeds.files.cells.arrow import Table
    from adapters.feeds.files.cells.cells import Rows
    from adapters.feeds.files.cells.numbers import Mark
    from adapters.feeds.files.trouble import ReadingOptions


class JsonLines:
    """The lines of one file of JSON objects; the first gives the names and the types of the values."""

    def __init__(self, path: Path, head: list[str], options: ReadingOptions) -> None:
        at = next((index for index, line in enumerate(head) if line.strip()), None)
        if at is None:
            raise UnreadableFileError(f"{path}: its first lines are blank; begin with an object on the first")
        try:
            first = json.loads(head[at])
            "".join(first).encode()  # half of a surrogate pair is not a name
        except (ValueError, RecursionError) as problem:
            raise UnreadableFileError(
                f"{path}: line {at + 1} is not a JSON object but reads {quoted(head[at])}; "
                "write one whole object on each line"
            ) from problem
        self.columns = find_columns(list(first), options, path)
        self.first_line = at + 1
        self._wanted = [self.columns.names[index] for index in self.columns.wanted]
        self._numbers = {self.columns.names[index] for index in self.columns.numbers.values()}
        prices = [first[self.columns.names[self.columns.numbers[name]]] for name in PRICES]
        self.decimal: Mark | None = None if any(isinstance(price, str) for price in prices) else "."
        self.by_program = True
        self.name = "JSON lines"
        self.has_rows = True
        kinds = [
            pa.int64() if type(value) is int else pa.float64() if type(value) is float else pa.string()
            for value in first.values()
        ]
        for index in self.columns.numbers.values():
            kinds[index] = pa.string() if isinstance(first[self.columns.names[index]], str) else pa.float64()
        self._parsing = arrow_json.ParseOptions(
            explicit_schema=pa.schema([(self.columns.names[index], kinds[index]) for index in self.columns.wanted]),
            unexpected_field_behavior="ignore",
            newlines_in_values=False,
        )

    def expect(self, rows: Rows, decimal: Mark) -> None:
        """Do nothing: the first object shows how all are read."""

    def may_tell(self, block: bytes) -> bool:  # noqa: ARG002 - commas stand between all values
        """Say whether a block can hold numbers with a mark in them."""
        return True

    def table(self, block: bytes, decimal: Mark | None) -> Table | None:  # noqa: ARG002 - numbers are numbers here
        """Read a block of whole rows at once; None if a line is not a row."""
        # Each line must be one object, so that no row gets the number of another.
        if block[:1] != b"{" or block.count(b"\n{") + 1 != block.count(b"\n"):
            return None
        try:
            found = arrow_json.read_json(pa.BufferReader(block), parse_options=self._parsing)
            found.validate(full=True)  # text that is not UTF-8
        except pa.ArrowInvalid:
            return None
        columns = [found.column(name) for name in self._wanted]
        times = len(self.columns.time)
        return pa.table(
            [*map(as_text, columns[:times]), *columns[times:]], names=[str(index) for index in range(len(columns))]
        )

    def cells(self, line: str, decimal: Mark | None) -> list[str | None] | None:
        """Read one line; None for a blank one."""
        if not line.strip():
            return None
        try:
            # Numbers stay as written: they are read like those of any other file.
            found = json.loads(line, parse_float=_Figure, parse_int=_Figure, parse_constant=_Figure)
            if not isinstance(found, dict):
                raise BadLineError(f"not a JSON object: {quoted(line)}")
            marks: list[Mark | None] = [decimal if name in self._numbers else "." for name in self._wanted]
            return [_written(found.get(name), mark) for name, mark in zip(self._wanted, marks, strict=True)]
        except (ValueError, RecursionError) as problem:
            raise BadLineError(f"not a JSON object: {quoted(line)}") from problem


class _Figure(str):
    """A number as it is written in JSON, where it always has a decimal point."""

    __slots__ = ()


def _written(value: object, decimal: Mark | None) -> str | None:
    """Give a value as text; a number gets the decimal mark of the file's texts, none while that is being found."""
    if value is None:
        return None
    if isinstance(value, _Figure):
        return None if decimal is None else value.replace(".", decimal)
    text = value if isinstance(value, str) else json.dumps(value)
    return text.encode("utf-8", errors="replace").decode()  # half of a surrogate pair is not text
