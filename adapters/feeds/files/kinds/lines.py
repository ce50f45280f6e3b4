"""From blocks of lines to rows, all at once if they are sound, else line by line; and a file of lines as a table."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Protocol

import numpy as np
import pyarrow as pa

from adapters.feeds.files.cells.cells import Rows
from adapters.feeds.files.kinds.bytes import LINE_LIMIT, Block, line_too_long
from adapters.feeds.files.looking import Known

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence
    from pathlib import Path

    from adapters.feeds.files.cells.arrow import Table
    from adapters.feeds.files.cells.numbers import Mark
    from adapters.feeds.files.kinds.bytes import ByteFile

SMALL = 1 << 20
BEGINNING = 1 << 16
"""Bytes at the beginning of a file that are looked at first."""
PIECE = 1 << 16
"""Smaller blocks are not divided further to find a bad line."""


class BadLineError(ValueError):
    """A line that is not a row; the message quotes it."""


class LineFormat(Known, Protocol):
    """How the lines of a file become rows."""

    name: str
    """The form in words."""
    first_line: int
    """Number of the first line that may be a row."""

    def expect(self, rows: Rows, decimal: Mark) -> None:
        """Learn from some rows, with numbers as text, how to read the others faster."""

    def may_tell(self, block: bytes) -> bool:
        """Say whether a block may hold numbers with a mark, which can show the decimal mark."""

    def table(self, block: bytes, decimal: Mark | None) -> Table | None:
        """Read a block of whole rows at once, columns in the order of ``columns.wanted``; None if a line is not a row.

        Without a known decimal mark, numbers stay text.
        """

    def cells(self, line: str, decimal: Mark | None) -> list[str | None] | None:
        """Read one line, in the order of ``columns.wanted``; None for a blank one; BadLineError if it is not a row."""


def read_lines(path: Path, blocks: Iterable[Block], form: LineFormat, decimal: Mark | None) -> Iterator[list[Rows]]:
    """Read the rows of a file from blocks of its lines, a block at a time; the row number is that of the line."""
    for block in blocks:
        parts = [rows for rows in _divide(path, form, decimal, block.after(form.first_line)) if len(rows.row)]
        if parts:
            yield parts


def _divide(path: Path, form: LineFormat, decimal: Mark | None, block: Block) -> Iterator[Rows]:
    table = form.table(block.content, decimal) if block.lines else None
    if table is not None and table.num_rows == block.lines:
        yield Rows(np.arange(block.line, block.line + block.lines), table.columns)
        return
    halves = block.halves() if len(block.content) > PIECE else None
    if halves is None:
        yield _line_by_line(path, form, decimal, block)
        return
    for half in halves:
        yield from _divide(path, form, decimal, half)


def _line_by_line(path: Path, form: LineFormat, decimal: Mark | None, block: Block) -> Rows:
    rows: list[int] = []
    texts: list[list[str | None]] = []
    bad: dict[int, str] = {}
    for number, raw in enumerate(block.content.split(b"\n")[:-1], block.line):
        if len(raw) > LINE_LIMIT:
            raise line_too_long(path, number)
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


class TextTable:
    """The table in a file of lines, each of which may be a row."""

    def __init__(self, file: ByteFile, form: LineFormat, head: bytes) -> None:
        self.columns = form.columns
        self.decimal = form.decimal
        self.by_program = form.by_program
        self.expect = form.expect
        self.open_end = file.open_end
        self._file = file
        self._form = form
        end = head.find(b"\n", BEGINNING) + 1
        self._head = head[:end] if end else head + b"\n" * (not head.endswith(b"\n"))

    @property
    def form(self) -> str:
        """The kind of file, in words."""
        packed = ", packed with gzip" if self._file.packed else ""
        encoding = self._file.encoding.name
        return f"{self._form.name}{packed}{f', in {encoding}' if encoding not in {'', 'UTF-8'} else ''}"

    def beginning(self) -> Iterator[Sequence[Rows]]:
        """Give the first rows, numbers as text."""
        return read_lines(self._file.path, [Block.of(1, self._head)], self._form, None)

    def whole(self, *, numbers_only: bool) -> Iterator[Sequence[Rows]]:
        """Give all rows, numbers as text; none if only numbers matter and none has a mark."""
        blocks = partial(self._file.blocks, SMALL, counted=False)
        if numbers_only and not any(self._form.may_tell(block.content) for block in blocks()):
            return iter(())
        return read_lines(self._file.path, blocks(), self._form, None)

    def read(self, decimal: Mark) -> Iterator[Sequence[Rows]]:
        """Give all rows."""
        return read_lines(self._file.path, self._file.blocks(), self._form, decimal)
