"""Tables of bars in spreadsheet workbooks."""

from __future__ import annotations

import re
import zipfile
import zlib
from contextlib import contextmanager
from datetime import date, datetime, time, timedelta
from itertools import islice
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa

from adapters.feeds.files.cells.cells import Rows
from adapters.feeds.files.cells.columns import NoColumnsError
from adapters.feeds.files.kinds.bytes import FIRST_LINES
from adapters.feeds.files.kinds.header import first_header
from adapters.feeds.files.times.choosing import DAY_NUMBERS
from adapters.feeds.files.trouble import UnreadableFileError, quoted
from adapters.feeds.raw_rows import PRICES

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from adapters.feeds.files.cells.arrow import Column
    from adapters.feeds.files.cells.numbers import Mark
    from adapters.feeds.files.kinds.bytes import ByteFile
    from adapters.feeds.files.kinds.header import Header, Try
    from adapters.feeds.files.trouble import ReadingOptions

    Cell = str | float | bool | datetime | date | time | timedelta
    Row = Sequence[Cell]

DAMAGED = "the workbook is damaged, or needs a password; save it again without one"
ABOUT = "xl/workbook.xml"
INSIDE = ("xl/", "content.xml")
"""The parts by which an archive is recognized as a workbook."""
DAY_ZERO, DAY_ZERO_1904 = datetime(1899, 12, 30), datetime(1904, 1, 1)  # noqa: DTZ001 - local times
NEARLY = timedelta(milliseconds=10)
"""Spreadsheets compute times as fractions of a day, which are a little off."""


class WorkbookTable:
    """The one sheet of a workbook that holds a table of bars; row numbers are those of the sheet."""

    by_program = False
    open_end = False

    def __init__(self, file: ByteFile, options: ReadingOptions) -> None:
        self._file = file
        with self._parts() as parts:
            if parts is not None and not any(name.startswith(INSIDE) for name in parts.namelist()):
                raise UnreadableFileError(f"{file.path}: it is a ZIP archive, not a workbook; unpack it first")
        name, header, rows = self._found(options)
        self.form = f"workbook, sheet {quoted(name)}"
        self.columns = header.columns
        wanted = self.columns.wanted
        kept = [
            (number, [row[index] for index in wanted]) for number, row in enumerate(rows, 1) if number > header.line
        ]
        kept = [(number, cells) for number, cells in kept if any(cell != "" for cell in cells)]
        if not kept:
            raise UnreadableFileError(f"{file.path}: it has a header but no rows; put bars in it")
        self._row = np.array([number for number, _ in kept], dtype=np.int64)
        self._cells = [list(cells) for cells in zip(*(cells for _, cells in kept), strict=True)]
        self._numbers = dict(zip(self.columns.numbers, self._cells[len(self.columns.time) :], strict=False))
        self._refuse_mixtures()
        texts = any(_has_digits(cell) for cells in self._numbers.values() for cell in cells)
        self.decimal: Mark | None = None if texts else "."

    @contextmanager
    def _parts(self) -> Iterator[zipfile.ZipFile | None]:
        """Open a newer workbook as an archive; None for an older one."""
        if not zipfile.is_zipfile(self._file.path):
            yield None
            return
        try:
            with zipfile.ZipFile(self._file.path) as parts:
                yield parts
        except (zipfile.BadZipFile, zlib.error, NotImplementedError, RuntimeError, EOFError) as problem:
            raise UnreadableFileError(f"{self._file.path}: {DAMAGED}") from problem

    def _found(self, options: ReadingOptions) -> tuple[str, Header, list[Row]]:
        """Find the sheet with the table."""
        found: list[tuple[str, Header, list[Row]]] = []
        problem = NoColumnsError(f"{self._file.path}: no sheet of the workbook has anything in it; put bars in it", -1)
        for name, rows in self._sheets():
            texts = [[_shown(cell) for cell in row] for row in islice(rows, FIRST_LINES)]

            def fields(index: int, _: str, texts: list[list[str]] = texts) -> list[str]:
                return texts[index] if index < len(texts) else []

            tries: Iterator[Try] = ((index, "", cells) for index, cells in enumerate(texts) if any(cells))
            try:
                found.append((name, first_header(self._file.path, tries, fields, options), rows))
            except NoColumnsError as trouble:
                problem = max(problem, trouble, key=lambda each: each.found)
        if not found:
            raise problem
        if len(found) > 1:
            names = ", ".join(quoted(name, 30) for name, *_ in found)
            raise UnreadableFileError(
                f"{self._file.path}: several sheets hold tables of bars ({names}); save each as a workbook of its own"
            )
        return found[0]

    def _sheets(self) -> Iterator[tuple[str, list[Row]]]:
        """Give the visible sheets by name."""
        try:
            from python_calamine import CalamineError, SheetVisibleEnum, load_workbook  # noqa: PLC0415 - for workbooks
        except ImportError:
            raise UnreadableFileError(
                f"{self._file.path}: reading a workbook needs the library python-calamine; install it, or save the "
                "sheet as CSV"
            ) from None
        try:
            # The library would trust the ending of a path, and many downloads end in .xls, whatever they are.
            with self._file.path.open("rb") as content, load_workbook(content) as book:
                for about in book.sheets_metadata:
                    if about.visible == SheetVisibleEnum.Visible:
                        yield about.name, [*book.get_sheet_by_name(about.name).iter_rows()]
        except CalamineError as problem:
            raise UnreadableFileError(f"{self._file.path}: {DAMAGED}") from problem

    def _refuse_mixtures(self) -> None:
        """Refuse a table some of whose cells a spreadsheet seems to have misread."""
        whole = "give the original file, or import it with its columns as text"
        for name in PRICES:
            cells = self._numbers[name]
            wrong = next((cell for cell in cells if isinstance(cell, date | time | timedelta)), None)
            if wrong is not None:
                raise UnreadableFileError(
                    f"{self._file.path}: one of the prices is {quoted(_shown(wrong))}, as happens when a "
                    f"spreadsheet takes a price for a date; {whole}"
                )
            text = next((cell for cell in cells if _has_digits(cell)), None)
            if text is not None and any(isinstance(cell, int | float) for cell in cells):
                raise UnreadableFileError(
                    f"{self._file.path}: some prices are numbers and others text, such as {quoted(_shown(text))}, "
                    f"as happens when a spreadsheet misreads decimal marks; {whole}"
                )
        times = self._cells[0]
        text = next((cell for cell in times if _has_digits(cell)), None)
        if text is not None and any(isinstance(cell, date) for cell in times):
            raise UnreadableFileError(
                f"{self._file.path}: some times are dates and others text, such as {quoted(_shown(text))}, as happens "
                f"when a spreadsheet takes days for months; {whole}"
            )

    def beginning(self) -> Iterator[Sequence[Rows]]:
        """Give all rows, which are in memory anyway."""
        return self._block(None)

    def whole(self, *, numbers_only: bool) -> Iterator[Sequence[Rows]]:  # noqa: ARG002 - all may tell
        """Give all rows."""
        return self._block(None)

    def expect(self, rows: Rows, decimal: Mark) -> None:
        """Do nothing: the type of each cell is known."""

    def read(self, decimal: Mark) -> Iterator[Sequence[Rows]]:
        """Give all rows."""
        self._file.progress.advance(self._file.size)
        return self._block(decimal)

    def _block(self, decimal: Mark | None) -> Iterator[Sequence[Rows]]:
        times = [self._times(cells) for cells in self._cells[: len(self.columns.time)]]
        numbers = [_numbers(cells, decimal) for cells in self._numbers.values()]
        symbols = [pa.array(map(_shown, cells), pa.string()) for cells in self._cells[len(times) + len(numbers) :]]
        yield [Rows(self._row, [*times, *numbers, *symbols])]

    def _times(self, cells: list[Cell]) -> Column:
        """Write times as text; dates have no time of day if none of the cells has one."""
        zero = self._day_zero() if any(_is_day_number(cell) for cell in cells) else DAY_ZERO
        read = [_moment(cell, zero) for cell in cells]
        apart = len(self.columns.time) > 1
        dates = all(isinstance(cell, str) or cell.time() == time() for cell in read)

        def written(cell: datetime | str) -> str:
            if isinstance(cell, str):
                return cell
            return cell.strftime("%Y-%m-%d" if dates or (apart and cell.time() == time()) else "%Y-%m-%d %H:%M:%S.%f")

        return pa.array(map(written, read), pa.string())

    def _day_zero(self) -> datetime:
        """Give the day from which a workbook numbers its days."""
        about = b""
        with self._parts() as parts:
            if parts is not None and ABOUT in parts.namelist():
                about = parts.read(ABOUT)
        return DAY_ZERO_1904 if re.search(rb"date1904=.(?:1|true)", about) else DAY_ZERO


def _numbers(cells: list[Cell], decimal: Mark | None) -> Column:
    """Give numbers unchanged; if some are text, all as text with the decimal mark of those."""
    if not any(_has_digits(cell) for cell in cells):
        plain = [cell if isinstance(cell, int | float) and not isinstance(cell, bool) else None for cell in cells]
        return pa.array(plain, pa.float64(), from_pandas=True)

    def written(cell: Cell) -> str | None:
        if isinstance(cell, int | float):
            return None if decimal is None else repr(cell).replace(".", decimal)
        return _shown(cell)

    return pa.array([written(cell) for cell in cells], pa.string())


def _has_digits(cell: Cell) -> bool:
    return isinstance(cell, str) and any(letter.isdigit() for letter in cell)


def _is_day_number(cell: Cell) -> bool:
    return isinstance(cell, float) and int(cell) in DAY_NUMBERS


def _moment(cell: Cell, zero: datetime) -> datetime | str:
    """Give a cell of times as a moment if it is one, else as text."""
    if isinstance(cell, float) and _is_day_number(cell):
        cell = zero + timedelta(days=cell)
    if isinstance(cell, float) and 0 <= cell < 1:
        cell = timedelta(days=cell)
    if isinstance(cell, timedelta):
        span = _rounded(cell)
        cell = (DAY_ZERO + span).time() if timedelta() <= span < timedelta(days=1) else span
    if isinstance(cell, datetime):
        return DAY_ZERO + _rounded(cell - DAY_ZERO)
    if isinstance(cell, date):
        return datetime(cell.year, cell.month, cell.day)  # noqa: DTZ001 - a clock time
    return _shown(cell)


def _rounded(span: timedelta) -> timedelta:
    """Round a span that is very close to a whole second."""
    off = span % timedelta(seconds=1)
    if off < NEARLY:
        return span - off
    return span + (timedelta(seconds=1) - off) if timedelta(seconds=1) - off < NEARLY else span


def _shown(cell: Any) -> str:  # noqa: ANN401 - whatever a spreadsheet may hold
    if isinstance(cell, float) and cell.is_integer():
        return str(int(cell))
    return str(cell)
