"""Blocks of lines into rows: all at once where they are sound, line by line where they are not."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

import numpy as np
import pyarrow as pa

from adapters.feeds.files.cells.cells import Rows
from adapters.feeds.files.kinds.bytes import LINE_LIMIT, line_too_long

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from adapters.feeds.files.cells.arrow import Table
    from adapters.feeds.files.cells.columns import Columns
    from adapters.feeds.files.cells.numbers import Mark

PIECE = 1 << 16
"""Blocks this small are not divided further to find what is wrong in them."""


class BadLineError(ValueError):
    """A line that is no row; the message says what stood there."""


class LineFormat(Protocol):
    """How the lines of a file become rows."""

    columns: Columns
    name: str
    """What the lines are, in words."""
    first_line: int
    """Number of the first line that may be a row."""
    decimal: Mark | None
    """The decimal mark, where the form itself leaves no other."""
    by_program: bool
    """Whether nothing about the form hints at decimal commas."""

    def expect(self, rows: Rows, decimal: Mark) -> None:
        """Look at some rows, with numbers as text, to read those like them faster."""

    def table(self, block: bytes, decimal: Mark | None) -> Table | None:
        """Read a block of whole rows at once, columns in the order of ``columns.wanted``; None where a line is none.

        Without a decimal mark, numbers stay text.
        """

    def cells(self, line: str, decimal: Mark | None) -> list[str | None] | None:
        """Read one line, in the order of ``columns.wanted``; None for a blank one; BadLineError where it is no row."""


class Lines(Protocol):
    """Where lines come from."""

    @property
    def path(self) -> Path:
        """The file they stand in."""

    def blocks(self) -> Iterator[tuple[int, bytes]]:
        """Give blocks of whole lines, each with the number of its first line; each ends in a newline."""


def read_lines(file: Lines, form: LineFormat, decimal: Mark | None) -> Iterator[list[Rows]]:
    """Read the rows of a file, a block at a time; the row number is that of the line."""
    for first, whole in file.blocks():
        line, block = first, whole
        while line < form.first_line and block:
            line, block = line + 1, block[block.find(b"\n") + 1 :]
        parts = [rows for rows in _divide(file, form, decimal, line, block) if len(rows.row)]
        if parts:
            yield parts


def _divide(file: Lines, form: LineFormat, decimal: Mark | None, line: int, block: bytes) -> Iterator[Rows]:
    lines = block.count(b"\n")
    table = form.table(block, decimal) if lines else None
    if table is not None and table.num_rows == lines:
        yield Rows(np.arange(line, line + lines), table.columns)
        return
    middle = block.find(b"\n", len(block) // 2) + 1
    if len(block) <= PIECE or middle in (0, len(block)):
        yield _line_by_line(file, form, decimal, line, block)
        return
    yield from _divide(file, form, decimal, line, block[:middle])
    yield from _divide(file, form, decimal, line + block.count(b"\n", 0, middle), block[middle:])


def _line_by_line(file: Lines, form: LineFormat, decimal: Mark | None, line: int, block: bytes) -> Rows:
    rows: list[int] = []
    texts: list[list[str | None]] = []
    bad: dict[int, str] = {}
    for number, raw in enumerate(block.split(b"\n")[:-1], line):
        if len(raw) > LINE_LIMIT:
            raise line_too_long(file.path, number)
        try:
            cells = form.cells(raw.decode("utf-8", errors="backslashreplace").removesuffix("\r"), decimal)
        except BadLineError as problem:
            bad[number] = str(problem)
            cells = [None] * len(form.columns.wanted)
        if cells is not None:
            rows.append(number)
            texts.append(cells)
    found = [pa.array([cells[index] for cells in texts], pa.string()) for index in range(len(form.columns.wanted))]
    return Rows(np.array(rows, dtype=np.int64), found, bad)
