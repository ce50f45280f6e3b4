"""The ways in which times are written, and how each is read a column at a time."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Literal

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

if TYPE_CHECKING:
    from collections.abc import Callable

    from adapters.feeds.files.arrow import Column

Meaning = Literal["date", "local", "utc"]
"""What a reading stands for: midnight UTC of a day, a clock time in a zone yet to be told, or a moment."""

DIGITS_OF_A_YEAR = 4
MONTHS = 12
UNITS = ((10**11, 9), (10**14, 6), (10**17, 3), (10**20, 0))
"""Epoch numbers below the first figure are seconds, then milli-, micro- and nanoseconds: 10^11 s is the year 5138,
10^11 ms is March 1973. The second figure is the power of ten that makes nanoseconds of them."""

_CLOCK = r"\d{2}(:\d{2}(:\d{2}(\.\d+)?)?)?"
_ZONE = r"([Zz]|[+-]\d{2}(:?\d{2})?|UTC|GMT)"
_NANOSECONDS = pa.timestamp("ns")


@dataclass(frozen=True, slots=True)
class Style:
    """One way of writing times.

    ``cast`` makes an int64 column of nanoseconds out of a column of text that is written exactly so, and raises
    pa.ArrowInvalid if one cell is not. ``pattern`` fits all cells that may be read, exact or looser; ``tidy`` are
    replacements (pattern, by what) that bring looser forms into the exact one, and ``cast_tidy`` reads what comes of
    them.
    """

    meaning: Meaning
    pattern: str
    cast: Callable[[Column], Column]
    tidy: tuple[tuple[str, str], ...] = ()
    cast_tidy: Callable[[Column], Column] | None = None

    def read(self, cells: Column) -> Column:
        """Read a column of text into int64 nanoseconds, null where a cell is not written in this style."""
        try:
            return self.cast(cells)
        except pa.ArrowInvalid:
            cells = pc.utf8_trim_whitespace(cells)
            cells = pc.if_else(pc.match_substring_regex(cells, f"^(?:{self.pattern})$"), cells, None)
            for pattern, by in self.tidy:
                cells = pc.replace_substring_regex(cells, pattern, by)
            return _read_good(cells, self.cast_tidy or self.cast)


def _read_good(cells: Column, cast: Callable[[Column], Column]) -> Column:
    """Cast what can be cast: a part that fails is halved until the cells to blame stand alone."""
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


def _epoch(power: int) -> Style:
    # Tidied, 1609459200.5 s becomes 1609459200500000000 ns by moving the point.
    moved = (
        (r"^(-?\d+)$", r"\1."),
        (r"^(-?\d+\.\d*)$", r"\1" + "0" * power),
        (rf"^(-?\d+)\.(\d{{{power}}})\d*$", r"\1\2"),
    )
    return Style("utc", r"-?\d+(\.\d*)?", lambda cells: pc.multiply_checked(_whole(cells), 10**power), moved, _whole)


DATE = Style("date", r"\d{4}-\d{2}-\d{2}", _date)
LOCAL = Style("local", rf"\d{{4}}-\d{{2}}-\d{{2}}([Tt ]{_CLOCK})?", _local, ((r"t", "T"),))
ZONED = Style(
    "utc",
    rf"\d{{4}}-\d{{2}}-\d{{2}}[Tt ]{_CLOCK} ?{_ZONE}",
    _zoned,
    ((r"t", "T"), (r" ?(z|UTC|GMT)$", "Z"), (r" ([Z+-][\d:]*)$", r"\1")),
)


def _rewritten(pattern: str, by: str, style: Style) -> Style:
    """Make a style of one whose cells become ``style`` by a replacement."""

    def cast(cells: Column) -> Column:
        cells = pc.replace_substring_regex(cells, f"^{pattern}$", by)
        # A digit that stands alone gets its leading zero.
        return style.cast(pc.replace_substring_regex(cells, r"(^|[- :])(\d)\b", r"\10\2"))

    return Style(style.meaning, f"{pattern}|{style.pattern}", cast)


COMPACT = _rewritten(r"((?:1[6-9]|2[0-2])\d{2})(\d{2})(\d{2})", r"\1-\2-\3", DATE)


def _column(cell: str) -> Column:
    """Make a column of one cell. ``pa.array`` would load pandas, which takes longer than to read a small file."""
    written = cell.encode()
    ends = np.array([0, len(written)], dtype=np.int32)
    return pa.StringArray.from_buffers(1, pa.py_buffer(ends), pa.py_buffer(written))


def style_of(cell: str) -> Style | None:
    """Find how a cell is written; None where it is in no standard form, or says no possible time."""
    for style in (DATE, COMPACT, LOCAL, ZONED):
        if re.fullmatch(style.pattern, cell, re.ASCII) and style.read(_column(cell))[0].is_valid:
            return style
    if not re.fullmatch(r"-?\d{1,19}(\.\d*)?", cell, re.ASCII) or likely_format(cell):
        return None
    size = abs(int(cell.partition(".")[0]))
    return _epoch(next(power for limit, power in UNITS if size < limit))


def likely_format(cell: str) -> str | None:
    """Guess the strptime form of a time in no standard form, to be offered to the user; None without a guess."""
    compact = re.fullmatch(
        r"(?:19|20)\d{2}(?:0[1-9]|1[0-2])(?:0[1-9]|[12]\d|3[01])(?:[01]\d|2[0-3])[0-5]\d([0-5]\d)?", cell, re.ASCII
    )
    if compact:
        return "%Y%m%d%H%M%S" if compact[1] else "%Y%m%d%H%M"
    parts = re.match(r"(\d{1,4})([/.-])(\d{1,2})\2(\d{1,4})(?:([T ])\d{1,2}:\d{2}(:\d{2})?)?$", cell)
    if not parts:
        return None
    first, mark, second, third, between, seconds = parts.groups()
    clock = f"{between}%H:%M{':%S' if seconds else ''}" if between else ""
    if len(first) == DIGITS_OF_A_YEAR:
        return mark.join(("%Y", "%m", "%d")) + clock
    year = "%Y" if len(third) == DIGITS_OF_A_YEAR else "%y"
    american, european = (mark.join((*order, year)) + clock for order in (("%m", "%d"), ("%d", "%m")))
    if int(first) > MONTHS:
        return european
    return american if int(second) > MONTHS else f"{american} or {european}"


_DIGITS = {
    "%Y": r"(\d{4})",
    "%m": r"(\d{1,2})",
    "%d": r"(\d{1,2})",
    "%H": r"(\d{1,2})",
    "%M": r"(\d{1,2})",
    "%S": r"(\d{1,2})",
}


def style_for(time_format: str) -> Style:
    """Make the style of a strptime format; ValueError where that is none, or names no full date."""
    probe = datetime(2003, 2, 1, tzinfo=UTC)
    try:
        known = datetime.strptime(probe.strftime(time_format), time_format)  # noqa: DTZ007 - only its date is looked at
    except (ValueError, re.error) as problem:
        raise ValueError(f"{time_format!r} is no form of a time; write it like %Y-%m-%d %H:%M") from problem
    if known.date() != probe.date():
        raise ValueError(f"{time_format!r} names no full date; write it like %Y-%m-%d %H:%M")
    parts = re.findall(r"%.|[^%]+", time_format)
    dated = not re.search(r"%[HIMSfpcXs]", time_format)
    meaning: Meaning = "utc" if "%z" in time_format else "date" if dated else "local"
    fields = [part for part in parts if part in _DIGITS]
    if all(part in _DIGITS or part[0] != "%" for part in parts):
        pattern = "".join(_DIGITS.get(part) or re.escape(part) for part in parts)
        at = {part: f"\\{index + 1}" for index, part in enumerate(fields)}
        by = "{%Y}-{%m}-{%d}".format_map(at)
        if not dated:
            by += " " + ":".join(at.get(part, "00") for part in ("%H", "%M", "%S"))
        return _rewritten(pattern, by, DATE if dated else LOCAL)
    return Style(meaning, "", lambda cells: _one_by_one(cells, time_format))


def _one_by_one(cells: Column, time_format: str) -> Column:
    """Read what only strptime can read: names of months, halves of the day, zones."""

    def read(cell: str | None) -> int | None:
        try:
            moment = datetime.strptime((cell or "").strip(), time_format)  # noqa: DTZ007 - a zone is looked for below
        except ValueError:
            return None
        since = moment.replace(tzinfo=moment.tzinfo or UTC) - datetime(1970, 1, 1, tzinfo=UTC)
        nanoseconds = ((since.days * 86_400 + since.seconds) * 1_000_000 + since.microseconds) * 1_000
        return nanoseconds if abs(nanoseconds) < 2**63 else None

    return pa.array([read(cell) for cell in cells.to_pylist()], pa.int64())
