"""From rows with times as written to the raw bars of each instrument."""

from __future__ import annotations

from dataclasses import replace
from itertools import chain
from typing import TYPE_CHECKING

import numpy as np
import pyarrow.compute as pc

from adapters.feeds.files.series.spool import Spool
from adapters.feeds.files.times.zones import LocalClock, skipped
from adapters.feeds.files.trouble import UnreadableFileError, reading
from adapters.feeds.raw_rows import NUMBERS
from scanner.market.bars import NO_TIME, RawBars

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path
    from zoneinfo import ZoneInfo

    from numpy.typing import NDArray

    from adapters.feeds.files.cells.cells import Cells
    from adapters.feeds.files.times.stamps import Stamps


class RawBarsMaker:
    """Turns the rows of one file into raw bars; ``zone`` applies to times that name none, None means UTC.

    Rows sorted newest first are reversed; ``newest_first`` says so once they have been read.
    """

    def __init__(self, path: Path, stamps: Stamps, zone: ZoneInfo | None) -> None:
        self.newest_first = False
        self._path = path
        self._stamps = stamps
        self._zone = zone
        self._clock_growing: LocalClock | None = None

    def one(self, rows: Iterator[Cells]) -> Iterator[RawBars]:
        """Give the bars of a file that holds one instrument."""
        return self._bars(raw for raw, _ in self._raw(rows))

    def following(self, cells: Cells) -> RawBars:
        """Give the bars of the next rows of a growing file, which is never reversed."""
        raw = self._raw_of(cells)
        clock = self._clock_growing = self._clock_growing or self._clock()
        return raw if clock is None else _in_utc(raw, clock)

    def several(self, rows: Iterator[Cells], fallback: str) -> dict[str, Iterator[RawBars]]:
        """Divide the bars of a file by instrument, in order of first appearance.

        A row without an instrument is unreadable. It goes to the instrument of the row before it, at the beginning to
        that of the row after it, or to the ``fallback`` if no row names one.
        """
        spool, last = Spool(), ""
        with reading(self._path):
            for raw, cells in self._raw(rows):
                names, codes, nameless = _coded(cells, last or fallback, begun=bool(last))
                for row in raw.row[nameless].tolist():
                    cells.unreadable.setdefault(row, "instrument empty")
                if nameless.any():
                    raw = replace(raw, stamp=np.where(nameless, NO_TIME, raw.stamp))  # noqa: PLW2901 - the parts as they are put aside
                last = names[codes[-1]]
                for code, part in _parted(raw, codes, len(names)):
                    spool.put(names[code], part)
        return {symbol: self._bars(spool.bars(symbol)) for symbol in spool.symbols}

    def _raw(self, rows: Iterator[Cells]) -> Iterator[tuple[RawBars, Cells]]:
        """Give rows with their times, which may still be local times of the zone."""
        seen = False
        for cells in rows:
            seen = True
            yield self._raw_of(cells), cells
        if not seen:
            raise UnreadableFileError(f"{self._path}: it has a header but no rows; put bars in it")

    def _raw_of(self, cells: Cells) -> RawBars:
        return RawBars(
            self._stamps.read(cells),
            **{name: cells.column(name) for name in NUMBERS},
            row=cells.row,
            source=str(self._path),
            stamp_kind=self._stamps.kind,
            unreadable=cells.unreadable,
        )

    def _clock(self) -> LocalClock | None:
        """Give the converter of local times, once it is known that times are local."""
        return LocalClock(self._zone) if self._zone is not None and self._stamps.local else None

    def _bars(self, rows: Iterator[RawBars]) -> Iterator[RawBars]:
        """Give the rows of one instrument, oldest first, with their times as moments."""
        first = next(rows)
        rows = chain([first], rows)
        if _falls(first.stamp):
            self.newest_first = True
            rows = (raw[np.arange(len(raw))[::-1]] for raw in reversed(list(rows)))
        clock = self._clock()
        for raw in rows:
            yield raw if clock is None else _in_utc(raw, clock)


def _falls(stamps: NDArray[np.int64]) -> bool:
    """Say whether times are sorted newest first: most steps between them go back."""
    falls = stamps[1:] < stamps[:-1]
    if not falls.any():
        return False
    steps = np.diff(stamps[stamps != NO_TIME])
    return 2 * int((steps < 0).sum()) > len(steps)


def _in_utc(raw: RawBars, clock: LocalClock) -> RawBars:
    stamps = clock.to_utc(raw.stamp)
    vanished = np.flatnonzero((stamps == NO_TIME) & (raw.stamp != NO_TIME))
    told = {int(raw.row[index]): skipped(int(raw.stamp[index]), clock.zone) for index in vanished}
    return replace(raw, stamp=stamps, unreadable={**raw.unreadable, **told})


def _coded(cells: Cells, last: str, *, begun: bool) -> tuple[list[str], NDArray[np.int64], NDArray[np.bool_]]:
    """Give the instruments of some rows, for each row the index of its own, and which rows name none."""
    found = pc.fill_null(pc.utf8_trim_whitespace(cells.symbol), "").dictionary_encode()
    names: list[str] = found.dictionary.to_pylist()
    codes: NDArray[np.int64] = found.indices.to_numpy().astype(np.int64)
    if "" not in names:
        return names, codes, np.zeros(len(codes), dtype=np.bool_)
    nameless = codes == names.index("")
    before = np.maximum.accumulate(np.where(nameless, -1, np.arange(len(codes))))
    named = codes[~nameless]
    if begun or not len(named):
        names.append(last)
        first = names.index(last)
    else:
        first = int(named[0])
    return names, np.where(before < 0, first, codes[before]), nameless


def _parted(raw: RawBars, codes: NDArray[np.int64], count: int) -> Iterator[tuple[int, RawBars]]:
    """Divide rows by their code, in the order of the codes."""
    order = np.argsort(codes, kind="stable")
    columns = {name: getattr(raw, name)[order] for name in ("stamp", "row", *NUMBERS)}
    told: dict[int, dict[int, str]] = {}
    for row, text in raw.unreadable.items():
        told.setdefault(int(codes[np.searchsorted(raw.row, row)]), {})[row] = text
    ends = np.cumsum(np.bincount(codes, minlength=count))
    for code, (begin, end) in enumerate(zip(np.append(0, ends[:-1]), ends, strict=True)):
        if end > begin:
            part = {name: column[begin:end] for name, column in columns.items()}
            yield code, replace(raw, **part, unreadable=told.get(code, {}))
