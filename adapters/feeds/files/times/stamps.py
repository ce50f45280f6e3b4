"""The times of one file, in whatever form they are written, as nanoseconds since 1970."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from adapters.feeds.files.cells.arrow import as_text, flat, lent
from adapters.feeds.files.times.choosing import Choice, advice
from adapters.feeds.files.times.formats import offsets_of
from adapters.feeds.files.trouble import UnreadableFileError, quoted
from scanner.clocks import DAY, SECOND
from scanner.market.bars import NO_TIME

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from adapters.feeds.files.cells.arrow import Column, Kind
    from adapters.feeds.files.cells.cells import Cells
    from adapters.feeds.files.cells.columns import Columns
    from adapters.feeds.files.times.styles import Meaning
    from adapters.feeds.files.trouble import ReadingOptions
    from scanner.market.bars import StampKind

SEVERAL = 2
_OFFSET = r":\d{2}.*?(?P<offset>[+-]\d{2}(?::?\d{2})?)\s*$"
"""An offset from UTC, at the end of a time of day."""


class Stamps:
    """Reads the times of one file. Their form is decided once: by the rows looked at, or by the first rows read.

    Times that are all at midnight, in UTC, by the clock that they name, or by one that they do not name, mean days,
    unless bars are stamped at their close: tables of daily bars are often stored in this way. ``kind`` and ``local``
    are known after the first ``read``; ``local`` says that the stamps are local times of a zone that the file does not
    name.
    """

    def __init__(self, path: Path, columns: Columns, options: ReadingOptions) -> None:
        self.kind: StampKind = columns.stamp
        self.local = False
        self._path = path
        self._columns = columns
        self._options = options
        self._choice = Choice(options.time_format)
        self._looked = self._decided = self._typed = False
        self._midnights = self._own_clocks = False

    @property
    def settled(self) -> bool:
        """Whether the form is settled."""
        return self._typed or self._choice.settled

    @property
    def time_format(self) -> str | None:
        """Give the format of the times, None if they are in a standard form."""
        return self._choice.given

    def see(self, time: Column) -> None:
        """Look at times before they are read, so that the whole column decides their form."""
        self._looked, self._typed = True, is_time(time.type)
        if not self._typed:
            self._choice.see(as_text(time))

    def read(self, cells: Cells) -> NDArray[np.int64]:
        """Give the stamps of some rows, NO_TIME for unreadable ones, which ``cells.unreadable`` describes.

        The result may be written to, as in ``NumberReader.read``.
        """
        first = not self._decided
        meaning, found = _moments(cells.time) if is_time(cells.time.type) else self._written(cells)
        stamps = _stamps(found)
        if self._own_clocks:
            stamps = _by_own_clocks(cells.time, stamps)
        if first:
            self._decided = True
            if meaning == "date":
                self.kind = "date"
            elif self.kind == "open":
                if meaning == "utc" and not _are_midnights(stamps):
                    own = _by_own_clocks(cells.time, stamps)
                    self._own_clocks = _are_midnights(own)
                    stamps = own if self._own_clocks else stamps
                if _are_midnights(stamps):
                    self.kind, self._midnights = "date", True
            self.local = meaning == "local" and self.kind != "date" and self._columns.zone != "UTC"
            if self.local and self._columns.zone and self._options.tz == "UTC":
                raise UnreadableFileError(
                    f"{self._path}: the column {quoted(self._columns.time_name)} does not say which time zone it "
                    "means; give it with --tz, such as --tz Europe/Berlin"
                )
        elif self._midnights and not (midnight := _is_midnight(stamps)).all():
            stamps = np.where(midnight, stamps, NO_TIME)
        if found.null_count or self._midnights:
            cells.complain("time", cells.time, np.flatnonzero(stamps == NO_TIME))
        return stamps

    def _written(self, cells: Cells) -> tuple[Meaning, Column]:
        text = as_text(cells.time)
        if not self._looked:
            self.see(text)
        style = self._choice.choose(self._path, self._columns.time_name)
        if style is None:
            raise self._refusal(text, cells)
        found = style.read(text)
        if not self._decided and self._options.time_format is not None and found.null_count == len(found):
            raise self._refusal(text, cells)
        return style.meaning, found

    def _refusal(self, text: Column, cells: Cells) -> UnreadableFileError:
        written = next((cell for cell in text.to_pylist() if cell and cell.strip()), "").strip()
        if not written:
            row = int(cells.row[0])
            return UnreadableFileError(
                f"{self._path}: no row has a readable time; row {row}: {cells.unreadable.get(row, 'time empty')}; "
                "check that the rows match the header"
            )
        told = self._options.time_format
        unfit = "" if told is None else f"does not fit --time-format {told} and "
        return UnreadableFileError(
            f"{self._path}: the time {quoted(written)} in the column {quoted(self._columns.time_name)} "
            f"{unfit}{advice(written)}"
        )


def _stamps(found: Column) -> NDArray[np.int64]:
    """Give stamps that may be written to, NO_TIME for those that are null."""
    return lent(pc.fill_null(found, NO_TIME) if found.null_count else found)


def _by_own_clocks(written: Column, stamps: NDArray[np.int64]) -> NDArray[np.int64]:
    """Give moments by the clocks of the zones, or the offsets from UTC, that are written with them."""
    if is_time(written.type):
        return _stamps(_nanoseconds(pc.local_timestamp(flat(written))))
    offsets = pc.struct_field(pc.extract_regex(as_text(written), _OFFSET), "offset")
    return np.where(stamps == NO_TIME, NO_TIME, stamps + offsets_of(offsets) * SECOND)


def _are_midnights(stamps: NDArray[np.int64]) -> bool:
    """Say whether several readable stamps are all at midnight; the first few nearly always settle it."""
    stamps = stamps[stamps != NO_TIME]
    few = stamps[:SEVERAL].tolist()
    return len(few) == SEVERAL and not any(stamp % DAY for stamp in few) and bool(_is_midnight(stamps).all())


def _is_midnight(stamps: NDArray[np.int64]) -> NDArray[np.bool_]:
    found: NDArray[np.bool_] = stamps // DAY * DAY == stamps  # remainders take numpy twice as long
    return found


def _moments(cells: Column) -> tuple[Meaning, Column]:
    cells = flat(cells)
    if pa.types.is_date(cells.type):
        return "date", _nanoseconds(cells.cast(pa.timestamp("s" if pa.types.is_date32(cells.type) else "ms")))
    return "local" if cells.type.tz is None else "utc", _nanoseconds(cells)


def is_time(kind: Kind) -> bool:
    """Say whether a column holds moments or days, and not text or numbers."""
    return bool(pa.types.is_timestamp(kind) or pa.types.is_date(kind))


def _nanoseconds(cells: Column) -> Column:
    """Cast timestamps to int64 nanoseconds; null for those too far from 1970."""
    per_unit = {"s": 10**9, "ms": 10**6, "us": 10**3, "ns": 1}[cells.type.unit]
    whole = cells.view(pa.int64())
    if per_unit > 1:
        limit = (2**63 - 1) // per_unit
        least, most = (each.as_py() for each in pc.min_max(whole).values())
        if least is not None and not -limit <= least <= most <= limit:
            near = pc.and_(pc.less_equal(whole, limit), pc.greater_equal(whole, -limit))
            whole = pc.if_else(near, whole, None)
        whole = pc.multiply(whole, per_unit)
    return whole
