"""A file of lines as a table."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from adapters.feeds.files.kinds.bytes import Block
from adapters.feeds.files.kinds.lines import read_lines

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from adapters.feeds.files.cells.cells import Rows
    from adapters.feeds.files.cells.numbers import Mark
    from adapters.feeds.files.kinds.bytes import ByteFile
    from adapters.feeds.files.kinds.lines import LineFormat

SMALL = 1 << 20
BEGINNING = 1 << 16
"""Bytes at the beginning of a file that are looked at first."""


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
