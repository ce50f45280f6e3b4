"""A CSV file of bars that another program appends to."""

from __future__ import annotations

import os
from copy import copy
from stat import S_ISREG
from threading import Lock
from typing import TYPE_CHECKING, BinaryIO

import numpy as np
import pyarrow as pa

from adapters.feeds.files.kinds.bytes import (
    BEGIN,
    BLOCK,
    LINE_LIMIT,
    UTF8_MARK,
    Block,
    Encoding,
    first_lines,
    line_too_long,
    utf16_of,
)
from adapters.feeds.files.kinds.csv import CsvLines
from adapters.feeds.files.kinds.lines import BadLineError, read_lines
from adapters.feeds.files.looking import Understanding
from adapters.feeds.files.series.raw_bars import RawBarsMaker
from adapters.feeds.files.trouble import UnreadableFileError, reading
from adapters.feeds.raw_rows import PRICES, copied, no_rows
from scanner.market.bars import NO_TIME, RawBars

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from adapters.feeds.files.cells.cells import Rows
    from adapters.feeds.files.cells.numbers import Mark
    from adapters.feeds.files.trouble import ReadingOptions

MARK = 256
"""Bytes before the end of the part read, by which a file is recognized later."""
END_OF_TIME = np.iinfo(np.int64).max


class GrowingFile:
    """Reads what has been appended since it was last asked, and remembers the last ``keep`` rows.

    An unfinished last line waits for its end. If the file was replaced, or emptied and rewritten, the old one is read
    to its end if it is still in the folder, and the new one from its beginning; that needs no header if its rows are
    like those before. Rows that change in place are not noticed.
    """

    def __init__(self, path: Path, options: ReadingOptions, keep: int) -> None:
        self._path = path
        self._options = options
        self._keep = keep
        self._lock = Lock()
        self._reader: _Reader | None = None
        self._memory = no_rows(str(path), options.stamp)
        self._forgotten = NO_TIME  # the latest time among rows that are no longer kept

    def read(self, since: int | None) -> RawBars:
        """Give the rows since a time, and whatever was appended since the last call; raises UnreadableFileError."""
        with self._lock, reading(self._path):
            if not S_ISREG(self._path.stat().st_mode):
                raise UnreadableFileError(f"{self._path}: it is not a regular file; check pattern")
            with self._path.open("rb") as stream:
                try:
                    return self._read(stream, NO_TIME if since is None else since)
                except UnreadableFileError:
                    self._reader = None  # once the file is repaired, it is read from its beginning
                    raise

    def _read(self, stream: BinaryIO, since: int) -> RawBars:
        reader = self._reader
        moved = reader is not None and not reader.goes_on_in(stream)
        if reader is not None and moved:
            self._remember(self._rest_of(reader))
        if reader is None or moved or since <= self._forgotten != NO_TIME:
            reader = self._reader = _Reader(self._path, self._options, reader.way if reader else None)
        first = not reader.begun
        fresh = new = reader.take(stream)
        if fresh is not None and first:
            # Rows of earlier files stay in memory; those from the beginning of this one on give way to its own.
            begin = fresh.stamp[fresh.stamp != NO_TIME].min(initial=END_OF_TIME)
            self._memory = self._memory[self._memory.stamp < begin]
            self._forgotten = NO_TIME
            wanted = np.flatnonzero(fresh.stamp >= since)
            new = fresh[wanted[0] if len(wanted) else len(fresh) :]
        known = self._memory[self._memory.stamp >= since]
        self._remember(fresh)
        return known if new is None else _joined(known, new)

    def _rest_of(self, former: _Reader) -> RawBars | None:
        """Read the previous file to its end if it was renamed within the folder."""
        with os.scandir(self._path.parent) as entries:
            for entry in entries:
                if entry.inode() == former.inode and entry.is_file():
                    with open(entry.path, "rb") as stream:  # noqa: PTH123 - scandir gives such paths
                        return former.take(stream) if former.goes_on_in(stream) else None
        return None

    def _remember(self, fresh: RawBars | None) -> None:
        """Keep the last of the readable rows."""
        if fresh is None:
            return
        prices = fresh.open + fresh.high + fresh.low + fresh.close
        whole = _joined(self._memory, fresh[(fresh.stamp != NO_TIME) & ~np.isnan(prices)])
        cut = max(0, len(whole) - self._keep)
        self._forgotten = max(self._forgotten, int(whole.stamp[:cut].max(initial=NO_TIME)))
        self._memory = copied(whole, np.arange(cut, len(whole)))


def _joined(first: RawBars, second: RawBars) -> RawBars:
    """Join rows; the second ones know better which kind of stamp they have."""
    return RawBars.joined([first, second]) if len(first) and first.stamp_kind == second.stamp_kind else second


class _Way:
    """How lines become bars, as the lines so far show."""

    def __init__(self, path: Path, lines: list[str], options: ReadingOptions) -> None:
        """Work out the columns from a header and a row."""
        self.form = CsvLines(path, lines, options)
        self._seen = Understanding(path, self.form, options)
        self._maker = RawBarsMaker(path, self._seen.stamps, options.zone)

    @property
    def decimal(self) -> Mark | None:
        """The decimal mark, once it is settled."""
        return self._seen.numbers.decimal if self._seen.settled else None

    def without_header(self) -> _Way:
        """Give a fresh one for a file that begins with a row."""
        way = copy(self)
        way.form = copy(self.form)
        way.form.first_line = 1
        return way

    def takes(self, line: str) -> bool:
        """Say whether a line is a row: its prices are numbers, as those of a header are not."""
        try:
            cells = self.form.cells(line, None) or []
        except BadLineError:
            return False
        begin = len(self.form.columns.time)
        prices = pa.array(cells[begin : begin + len(PRICES)], pa.string())
        return len(prices) == len(PRICES) and not len(self._seen.numbers.read("close", prices)[1])

    def bars(self, block: Sequence[Rows]) -> RawBars:
        """Give the bars of a block of rows; the rows read so far decide how its numbers are read."""
        if not self._seen.settled:
            for rows in block:
                self._seen.see(rows)
            self._seen.decide()
        return self._maker.following(self._seen.cells(block))


class _Reader:
    """How far one file has been read. ``way`` is that of the previous file until its own is known."""

    def __init__(self, path: Path, options: ReadingOptions, way: _Way | None) -> None:
        self._path = path
        self.inode = -1
        self.way = way
        self._options = options
        self.begun = False
        self._encoding = Encoding()
        self._stream: BinaryIO
        self._offset, self._line, self._mark = 0, 1, b""

    def goes_on_in(self, stream: BinaryIO) -> bool:
        """Whether a file, whatever its name, contains what was read so far."""
        stream.seek(self._offset - len(self._mark))
        return stream.read(len(self._mark)) == self._mark

    def take(self, stream: BinaryIO) -> RawBars | None:
        """Read the complete lines that were added; None if they include no row."""
        self._stream = stream
        self.inode = os.fstat(stream.fileno()).st_ino
        if not self.begun:
            self._begin()
        if not self.begun or self.way is None:
            return None
        parts = [
            self.way.bars(block) for block in read_lines(self._path, self._blocks(), self.way.form, self.way.decimal)
        ]
        return RawBars.joined(parts) if parts else None

    def _begin(self) -> None:
        """Find out how lines become bars, once there is a row."""
        self._stream.seek(0)
        head = self._stream.read(2 * LINE_LIMIT)
        if b"\n" not in head and len(head) > LINE_LIMIT:
            raise line_too_long(self._path, 1)
        if utf16_of(head[:BEGIN]):
            raise UnreadableFileError(f"{self._path}: it is in UTF-16; have it written in UTF-8")
        lines = first_lines(self._encoding.utf8(head[: head.rfind(b"\n") + 1].removeprefix(UTF8_MARK)), self._path)
        written = [line for line in lines if line.strip()]
        if written and self.way is not None and self.way.takes(written[0]):
            self.way, self.begun = self.way.without_header(), True
        elif len(written) > 1:
            way = _Way(self._path, lines, self._options)
            if way.form.has_rows:
                self.way, self.begun = way, True

    def _blocks(self) -> Iterator[Block]:
        """Give the complete lines that were added."""
        self._stream.seek(self._offset)
        while part := self._stream.read(BLOCK):
            block = part[: part.rfind(b"\n") + 1]
            if len(part) - len(block) > LINE_LIMIT:
                raise line_too_long(self._path, self._line + block.count(b"\n"))
            if not block:
                return
            text = block.removeprefix(UTF8_MARK) if self._line == 1 else block
            found = Block.of(self._line, self._encoding.utf8(text))
            yield found
            self._offset += len(block)
            self._line += found.lines
            self._mark = (self._mark + block[-MARK:])[-MARK:]
            self._stream.seek(self._offset)
