"""A file of lines as a table."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from adapters.feeds.files.kinds.bytes import Block
from adapters.feeds.files.kinds.lines import read_lines

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from pathlib import Path

    from adapters.feeds.files.cells.cells import Rows
    from adapters.feeds.files.cells.numbers import Mark
    from adapters.feeds.files.kinds.bytes import ByteFile
    from adapters.feeds.files.kinds.lines import LineFormat

SMALL = 1 << 20
BEGINNING = 1 << 16
"""Bytes at the beginning of a file that are looked at first."""


@dataclass(frozen=True, slots=True)
class _Part:
    """One block of the lines of a file."""

    path: Path
    content: bytes

    def blocks(self) -> Iterator[Block]:
        yield Block.of(1, self.content)


@dataclass(frozen=True, slots=True)
class _Uncounted:
    """The lines of a file in small blocks, not counted as progress; none if none can settle the decimal mark."""

    file: ByteFile
    may_tell: Callable[[bytes], bool] | None

    @property
    def path(self) -> Path:
        return self.file.path

    def blocks(self) -> Iterator[Block]:
        may_tell = self.may_tell
        if may_tell is None or any(may_tell(block.content) for block in self.file.blocks(SMALL, counted=False)):
            yield from self.file.blocks(SMALL, counted=False)


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
        return read_lines(_Part(self._file.path, self._head), self._form, None)

    def whole(self, *, numbers_only: bool) -> Iterator[Sequence[Rows]]:
        """Give all rows, numbers as text; none if only numbers matter and none has a mark."""
        return read_lines(_Uncounted(self._file, self._form.may_tell if numbers_only else None), self._form, None)

    def read(self, decimal: Mark) -> Iterator[Sequence[Rows]]:
        """Give all rows."""
        return read_lines(self._file, self._form, decimal)
