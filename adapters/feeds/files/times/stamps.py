"""The times of one file, whichever way they are written, as nanoseconds since 1970."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from adapters.feeds.files.cells.arrow import as_text, flat, owned
from adapters.feeds.files.times.styles import likely_format, style_for, style_of
from adapters.feeds.files.trouble import UnreadableFileError, quoted
from scanner.market.bars import NO_TIME

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from adapters.feeds.files.cells.arrow import Column, Kind
    from adapters.feeds.files.cells.cells import Cells
    from adapters.feeds.files.cells.columns import Columns
    from adapters.feeds.files.times.styles import Meaning, Style
    from adapters.feeds.files.trouble import ReadingOptions
    from scanner.market.bars import StampKind

DAY = 86_400 * 1_000_000_000
SEVERAL = 2


class Stamps:
    """Reads the times of one file. How they are written is decided once, on its first rows.

    Times that all stand at midnight, in their own zone or in none, are those of days, unless bars are stamped at
    their close: tables of daily bars are often stored so. ``kind`` and ``local`` are known after the first ``read``;
    ``local`` says that the stamps are clock times of a zone that the file does not name.
    """

    def __init__(self, path: Path, columns: Columns, options: ReadingOptions) -> None:
        self.kind: StampKind = columns.stamp
        self.local = False
        self._path = path
        self._column = " + ".join(columns.names[index] for index in columns.time)
        self._options = options
        self._style: Style | None = None
        self._decided = False
        self._midnights = False

    def read(self, cells: Cells) -> NDArray[np.int64]:
        """Give the stamps of some rows, NO_TIME where one cannot be read; that is told in ``cells.unreadable``."""
        first = not self._decided
        meaning, found = self._typed(cells.time) if _is_time(cells.time.type) else self._written(cells)
        stamps = owned(pc.fill_null(found, NO_TIME) if found.null_count else found)
        bad = np.asarray(found.is_null()) if found.null_count else np.zeros(len(stamps), dtype=np.bool_)
        if first:
            self._decided = True
            if meaning == "date":
                self.kind = "date"
            elif self.kind == "open" and len(stamps) - bad.sum() >= SEVERAL and not (stamps[~bad] % DAY).any():
                self.kind, self._midnights = "date", True
            self.local = meaning == "local" and self.kind != "date"
        if self._midnights:
            bad |= stamps % DAY != 0
            stamps[bad] = NO_TIME
        cells.complain("time", cells.time, bad)
        return stamps

    def _typed(self, cells: Column) -> tuple[Meaning, Column]:
        cells = flat(cells)
        if pa.types.is_date(cells.type):
            return "date", _nanoseconds(cells.cast(pa.timestamp("s" if pa.types.is_date32(cells.type) else "ms")))
        return "local" if cells.type.tz is None else "utc", _nanoseconds(cells)

    def _written(self, cells: Cells) -> tuple[Meaning, Column]:
        text = as_text(cells.time)
        if self._style is None:
            self._style = self._decide(text, cells)
        found = self._style.read(text)
        if not self._decided and self._options.time_format is not None and found.null_count == len(found):
            raise self._refusal(text, cells, f"does not fit --time-format {self._options.time_format}")
        return self._style.meaning, found

    def _decide(self, text: Column, cells: Cells) -> Style:
        if self._options.time_format is not None:
            return style_for(self._options.time_format)
        for cell in text:
            style = style_of((cell.as_py() or "").strip())
            if style is not None:
                return style
        raise self._refusal(text, cells, "is in no standard form")

    def _refusal(self, text: Column, cells: Cells, problem: str) -> UnreadableFileError:
        written = next((cell for cell in text.to_pylist() if cell and cell.strip()), "").strip()
        if not written:
            row = int(cells.row[0])
            return UnreadableFileError(
                f"{self._path}: no row has a time, row {row} says: {cells.unreadable.get(row, 'time empty')}; "
                "check that header and rows belong together"
            )
        if style_of(written) is not None:
            advice = "leave --time-format out, the time is in a standard form"
        else:
            advice = f"tell how it is written with --time-format, such as {likely_format(written) or '%d %b %Y %H:%M'}"
        return UnreadableFileError(
            f"{self._path}: the time {quoted(written)} in the column {quoted(self._column)} {problem}; {advice}"
        )


def _is_time(kind: Kind) -> bool:
    return bool(pa.types.is_timestamp(kind) or pa.types.is_date(kind))


def _nanoseconds(cells: Column) -> Column:
    """Cast timestamps to int64 nanoseconds; null where that is too far from 1970."""
    per_unit = {"s": 10**9, "ms": 10**6, "us": 10**3, "ns": 1}[cells.type.unit]
    whole = cells.cast(pa.int64())
    if per_unit > 1:
        limit = (2**63 - 1) // per_unit
        near = pc.and_(pc.less_equal(whole, limit), pc.greater_equal(whole, -limit))
        whole = pc.multiply(pc.if_else(near, whole, None), per_unit)
    return whole
