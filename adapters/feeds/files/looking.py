"""What must be known about a whole file before its first bar is read: its decimal mark and how times are written."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

from adapters.feeds.files.cells.arrow import is_text
from adapters.feeds.files.cells.cells import Cells
from adapters.feeds.files.cells.numbers import Evidence, NumberReader
from adapters.feeds.files.times.stamps import Stamps
from adapters.feeds.files.trouble import UnreadableFileError, quoted

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence
    from pathlib import Path

    from adapters.feeds.files.cells.cells import Rows
    from adapters.feeds.files.cells.columns import Columns
    from adapters.feeds.files.cells.numbers import Mark
    from adapters.feeds.files.trouble import ReadingOptions


class Known(Protocol):
    """What is known about a table before its rows are read."""

    columns: Columns
    decimal: Mark | None
    """The decimal mark, if the kind of file settles it."""
    by_program: bool
    """Whether only its numbers can suggest decimal commas."""


class Table(Known, Protocol):
    """One file, whatever its kind, as blocks of rows; the rows of a block may come in parts of different types."""

    @property
    def form(self) -> str:
        """The kind of file, in words."""

    @property
    def open_end(self) -> bool:
        """Whether its last line has no end, and so may be cut off."""

    def beginning(self) -> Iterable[Sequence[Rows]]:
        """Give the first rows; numbers written as text stay text."""

    def whole(self, *, numbers_only: bool) -> Iterable[Sequence[Rows]]:
        """Give all rows in the same way; none if only numbers matter and none can settle the decimal mark."""

    def expect(self, rows: Rows, decimal: Mark) -> None:
        """Learn from some of the first rows how to read the others faster."""

    def read(self, decimal: Mark) -> Iterator[Sequence[Rows]]:
        """Give all rows; plainly written numbers with this decimal mark are numbers already."""


class Understanding:
    """What has been seen of a file so far, and how it must therefore be read."""

    def __init__(self, path: Path, table: Known, options: ReadingOptions) -> None:
        self.columns = table.columns
        self.stamps = Stamps(path, table.columns, options)
        self.numbers = NumberReader(path)
        self._path = path
        self._given = options.decimal or table.decimal
        self._by_program = table.by_program
        self._evidence = Evidence()

    @property
    def settled(self) -> bool:
        """Whether everything is settled."""
        return self.stamps.settled and self._numbers_settled

    @property
    def _numbers_settled(self) -> bool:
        return self._given is not None or self._evidence.settled

    def see(self, rows: Rows) -> None:
        """Look at rows."""
        if not self.stamps.settled:
            self.stamps.see(rows.time(self.columns))
        if not self._numbers_settled:
            for name, column in rows.numbers(self.columns):
                self._evidence.see(name, column)

    def decide(self) -> Mark:
        """Choose the decimal mark by what was seen; UnreadableFileError if it remains ambiguous."""
        self.numbers.decimal = self._given or self._evidence.decided(self._path, by_program=self._by_program)
        return self.numbers.decimal

    def cells(self, block: Sequence[Rows]) -> Cells:
        """Read the numbers of a block of rows."""
        return Cells.of(block, self.columns, self.numbers)


def understand(path: Path, table: Table, options: ReadingOptions) -> Understanding:
    """Look at the beginning of a file, and at all of it if that does not settle everything."""
    first = [rows for block in table.beginning() for rows in block]
    seen = Understanding(path, table, options)
    for rows in first:
        seen.see(rows)
    if not seen.settled:
        before, seen = seen, Understanding(path, table, options)
        if before.stamps.settled:
            seen.stamps = before.stamps
        for block in table.whole(numbers_only=seen.stamps.settled):
            for rows in block:
                seen.see(rows)
            if seen.settled:
                break
    decimal = seen.decide()
    for rows in first:
        table.expect(rows, decimal)
    _refuse_volumes_without_numbers(path, seen, first)
    return seen


def _refuse_volumes_without_numbers(path: Path, seen: Understanding, first: Sequence[Rows]) -> None:
    """Refuse a file whose first volumes are all unreadable: they would pass for missing ones."""
    texts = [column for rows in first for name, column in rows.numbers(seen.columns) if name == "volume"]
    written = [
        text[index].as_py()
        for text in texts
        if is_text(text.type)
        for index in seen.numbers.read("volume", text)[1].tolist()
    ]
    if written and len(written) * 2 > sum(map(len, texts)):
        column = seen.columns.names[seen.columns.numbers["volume"]]
        raise UnreadableFileError(
            f"{path}: the volume {quoted(written[0])} in the column {quoted(column)} is not a number; "
            "leave the column out with --columns volume="
        )
