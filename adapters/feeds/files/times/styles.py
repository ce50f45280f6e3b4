"""The standard ways in which times are written, and how each is read a column at a time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import pyarrow as pa
import pyarrow.compute as pc

if TYPE_CHECKING:
    from collections.abc import Callable

    from adapters.feeds.files.cells.arrow import Column

Meaning = Literal["date", "local", "utc"]
"""The meaning of a parsed time: midnight UTC of a day, a local time in a zone not yet known, or a moment."""

UNITS = ((10**11, 9), (10**14, 6), (10**17, 3), (10**20, 0))
"""Epoch numbers below the first figure are seconds, then milli-, micro- and nanoseconds: 10^11 s is the year 5138,
10^11 ms is March 1973. The second figure is the power of ten that makes nanoseconds of them."""

_CLOCK = r"\d{1,2}(:\d{2}(:\d{2}(\.\d+)?)?)?"
_ZONE = r"([Zz]|[+-]\d{2}(:?\d{2})?|UTC|GMT)"
_NANOSECONDS = pa.timestamp("ns")


@dataclass(frozen=True, slots=True)
class Style:
    """One way of writing times.

    ``cast`` turns a column of text in the exact form into an int64 column of nanoseconds, and raises pa.ArrowInvalid if
    a cell is in another form. ``pattern`` fits all readable cells, exact or looser; ``tidy`` are replacements (pattern,
    replacement) that bring looser forms into the exact one, and ``cast_tidy`` reads the result.
    """

    meaning: Meaning
    pattern: str
    cast: Callable[[Column], Column]
    tidy: tuple[tuple[str, str], ...] = ()
    cast_tidy: Callable[[Column], Column] | None = None

    def read(self, cells: Column) -> Column:
        """Read a column of text into int64 nanoseconds, null for cells not written in this style."""
        try:
            return self.cast(cells)
        except pa.ArrowInvalid:
            cells = pc.utf8_trim_whitespace(cells)
            cells = pc.if_else(pc.match_substring_regex(cells, f"^(?:{self.pattern})$"), cells, None)
            for pattern, by in self.tidy:
                cells = pc.replace_substring_regex(cells, pattern, by)
            return _read_good(cells, self.cast_tidy or self.cast)


def _read_good(cells: Column, cast: Callable[[Column], Column]) -> Column:
    """Cast what can be cast: a part that fails is halved until the bad cells are isolated."""
    try:
        return cast(cells)
    except pa.ArrowInvalid:
        half = len(cells) // 2
        if not half:
            return pa.nulls(len(cells), pa.int64())
        return pa.concat_arrays([_read_good(cells[:half], cast), _read_good(cells[half:], cast)])


def _local(cells: Column) -> Column:
    return cells.cast(_NANOSECONDS).cast(pa.int64())


def _zoned(cells: Column) -> Column:
    return cells.cast(pa.timestamp("ns", "UTC")).cast(pa.int64())


def _date(cells: Column) -> Column:
    return cells.cast(pa.date32()).cast(_NANOSECONDS).cast(pa.int64())


def _whole(cells: Column) -> Column:
    return cells.cast(pa.int64())


def epoch(number: str) -> Style:
    """Make the style of numbers since 1970; their size shows the unit."""
    size = abs(int(number.partition(".")[0]))
    power = next(power for limit, power in UNITS if size < limit)
    # Tidied, 1609459200.5 s becomes 1609459200500000000 ns by moving the point.
    moved = (
        (r"^(-?\d+)$", r"\1."),
        (r"^(-?\d+\.\d*)$", r"\1" + "0" * power),
        (rf"^(-?\d+)\.(\d{{{power}}})\d*$", r"\1\2"),
    )
    return Style("utc", r"-?\d+(\.\d*)?", lambda cells: pc.multiply_checked(_whole(cells), 10**power), moved, _whole)


DATE = Style("date", r"\d{4}-\d{2}-\d{2}", _date)
_TIDY = ((r"t", "T"), (r"([T ])(\d)(:|$)", r"\10\2\3"))
LOCAL = Style("local", rf"\d{{4}}-\d{{2}}-\d{{2}}([Tt ]{_CLOCK})?", _local, _TIDY)
ZONED = Style(
    "utc",
    rf"\d{{4}}-\d{{2}}-\d{{2}}[Tt ]{_CLOCK} ?{_ZONE}",
    _zoned,
    (*_TIDY, (r" ?(z|UTC|GMT)$", "Z"), (r" ([Z+-][\d:]*)$", r"\1")),
)


_EIGHT_DIGITS = r"((?:1[6-9]|2[0-2])\d{2})(\d{2})(\d{2})"


def _compact(cells: Column) -> Column:
    cells = pc.replace_substring_regex(cells, f"^{_EIGHT_DIGITS}$", r"\1-\2-\3")
    # A single digit gets its leading zero.
    return _date(pc.replace_substring_regex(cells, r"(^|[- :])(\d)\b", r"\10\2"))


COMPACT = Style("date", f"{_EIGHT_DIGITS}|{DATE.pattern}", _compact)
