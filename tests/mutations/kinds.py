"""The mutations: each takes a real file and changes it in one way that really happens.

Each gives the new content, what was changed, and which rows, by their places among the lines of rows.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, time, timedelta
from itertools import combinations
from typing import TYPE_CHECKING

from tests.mutations.real_files import any_file, file_within_days

if TYPE_CHECKING:
    from collections.abc import Callable
    from random import Random

    from tests.adapters.zoo.animals import Bar
    from tests.mutations.real_files import RealFile

PRICES = ("open", "high", "low", "close")
FIRST_PRICE, VOLUME = 1, 5
"""Columns."""


@dataclass(frozen=True)
class Mutated:
    """A file that was changed; ``bars`` are the true ones, the oldest first."""

    file: RealFile
    content: bytes
    what: str
    touched: range
    bars: tuple[Bar, ...]
    options: dict[str, object] = field(default_factory=dict)


def _of(file: RealFile, content: bytes, what: str, touched: range) -> Mutated:
    return Mutated(file, content, what, touched, file.bars, file.options)


def _stretch(file: RealFile, random: Random) -> range:
    """Give rows of which some are left before and after, or none."""
    count = len(file.bars)
    length = random.choice((1, 2, 5, random.randint(1, count // 2)))
    begin = random.choice((0, count - length, random.randint(0, count - length)))
    return range(begin, begin + length)


# --- swapped columns --------------------------------------------------------------------------------------------------


def swapped_columns(random: Random) -> Mutated:
    """Swap two columns of numbers below an unchanged header."""
    file = any_file(random)
    one, other = random.choice(list(combinations(range(FIRST_PRICE, VOLUME + 1), 2)))
    cells = file.cells()
    for row in cells:
        row[one], row[other] = row[other], row[one]
    names = file.sheet.names
    return _of(file, file.content(cells), f"{names[one]} and {names[other]} change places", range(len(cells)))


# --- dropped cells ----------------------------------------------------------------------------------------------------


def _place(file: RealFile, random: Random) -> tuple[int, int, list[list[str]]]:
    return random.randrange(len(file.bars)), random.randrange(VOLUME + 1), file.cells()


def _without_volume(file: RealFile, row: int) -> tuple[Bar, ...]:
    bar = file.in_order[row]
    return tuple(replace(each, volume=None) if each is bar else each for each in file.bars)


def emptied_cell(random: Random) -> Mutated:
    """Empty a cell; without its volume a bar is still true."""
    file = any_file(random)
    row, column, cells = _place(file, random)
    cells[row][column] = ""
    made = _of(file, file.content(cells), f"{file.sheet.names[column]} is emptied", range(row, row + 1))
    if column != VOLUME:
        return made
    return replace(made, bars=_without_volume(file, row))


def removed_cell(random: Random) -> Mutated:
    """Take a cell out, so that those after it move left; sometimes an empty cell fills the line."""
    file = any_file(random)
    row, column, cells = _place(file, random)
    del cells[row][column]
    filled = random.random() < 0.5
    if filled:
        cells[row].append("")
    what = f"{file.sheet.names[column]} is taken out{', an empty cell stands at the end' if filled else ''}"
    made = _of(file, file.content(cells), what, range(row, row + 1))
    if not (filled and column == VOLUME):
        return made
    return replace(made, bars=_without_volume(file, row))


def cell_moved_up(random: Random) -> Mutated:
    """Take a cell out so that all below it move up, as a spreadsheet does."""
    file = any_file(random)
    row, column, cells = _place(file, random)
    for index in range(row, len(cells)):
        cells[index][column] = cells[index + 1][column] if index + 1 < len(cells) else ""
    made = _of(file, file.content(cells), f"{file.sheet.names[column]} moves up", range(row, len(cells)))
    if not (column == VOLUME and row == len(cells) - 1):
        return made
    return replace(made, bars=_without_volume(file, row))


# --- shifted hours ----------------------------------------------------------------------------------------------------


def _later(bar: Bar, by: timedelta) -> Bar:
    opens = bar.opens if isinstance(bar.opens, datetime) else datetime.combine(bar.opens, time(), UTC)
    return replace(bar, opens=opens + by)


def _shifted(file: RealFile, rows: range, hours: int) -> bytes:
    later = [_later(bar, timedelta(hours=hours)) if i in rows else bar for i, bar in enumerate(file.in_order)]
    sheet, cells = file.sheet, file.cells()
    if not isinstance(file.bars[0].opens, datetime):
        sheet = replace(sheet, zone="UTC")
    written = tuple(later[::-1] if sheet.newest_first else later)
    for row, new in zip(cells, sheet.rows(written), strict=True):
        row[0] = new[0]
    return file.content(cells)


def _hours(random: Random) -> int:
    return random.choice((-1, 1)) * random.randint(1, 12)


def shifted_stretch(random: Random) -> Mutated:
    """Move the times of some rows by hours."""
    file = file_within_days(random)
    rows, hours = _stretch(file, random), _hours(random)
    return _of(file, _shifted(file, rows, hours), f"{len(rows)} rows are {hours:+} hours away", rows)


def shifted_file(random: Random) -> Mutated:
    """Move all times by hours, like those of another zone."""
    file = any_file(random)
    rows, hours = range(len(file.bars)), _hours(random)
    return _of(file, _shifted(file, rows, hours), f"all rows are {hours:+} hours away", rows)


def shifted_unseen(random: Random) -> Mutated:
    """Move times by hours, without naming the sessions."""
    made = shifted_file(random) if random.random() < 0.5 else shifted_stretch(random)
    return replace(made, options={**made.options, "calendar": "none"})


# --- scaled stretches -------------------------------------------------------------------------------------------------

FACTORS = (2, 0.5, 10, 100, 1000, 0.1, 0.01, 0.001)


def scaled_stretch(random: Random) -> Mutated:
    """Convert all prices of some rows, or those of one column, to another unit."""
    file = any_file(random)
    rows, factor = _stretch(file, random), random.choice(FACTORS)
    columns = random.choice((range(FIRST_PRICE, VOLUME), range(at := random.randint(FIRST_PRICE, VOLUME - 1), at + 1)))
    if len(rows) == len(file.bars):
        rows = rows[1:]
    cells, bars = file.cells(), file.in_order
    write = file.sheet.price
    for row in rows:
        for column in columns:
            value = bars[row].prices[column - FIRST_PRICE] * factor
            cells[row][column] = write(value) if factor > 1 else _finely(write, value)
    names = ", ".join(file.sheet.names[column] for column in columns)
    return _of(file, file.content(cells), f"{names} of {len(rows)} rows are {factor:g} times as large", rows)


def _finely(write: Callable[[float], str], value: float) -> str:
    """Write a small price with five decimals: the two that ``write`` gives, and three more."""
    hundredths = int(value * 100) / 100
    return write(hundredths) + f"{round((value - hundredths) * 1e5):03d}"


# --- cut lines --------------------------------------------------------------------------------------------------------


def _cut_at(file: RealFile, row: int, keep: Callable[[str], str], what: str) -> Mutated:
    lines = file.lines(file.cells())
    lines[row] = keep(lines[row])
    return _of(file, file.text(lines).encode(file.encoding), what, range(row, row + 1))


def cut_line(random: Random) -> Mutated:
    """End a line too soon, before its last cell."""
    file = any_file(random)
    row = random.randrange(len(file.bars))
    line = file.lines(file.cells())[row]
    length = random.randint(1, line.rindex(file.sheet.between))
    return _cut_at(file, row, lambda text: text[:length], f"a line is cut after {length} letters")


def cut_last_number(random: Random) -> Mutated:
    """End a line within its last cell."""
    file = any_file(random)
    row = random.randrange(len(file.bars))
    line = file.lines(file.cells())[row]
    length = random.randint(line.rindex(file.sheet.between) + 2, len(line) - 1)
    return _cut_at(file, row, lambda text: text[:length], f"a line is cut within its last cell, after {length} letters")


def cut_piece(random: Random) -> Mutated:
    """Cut a piece out, from within a line to within a later one that is not the last."""
    file = any_file(random)
    row = random.randrange(len(file.bars) - 2)
    return _cut_between(file, row, min(len(file.bars) - 2, row + random.choice((1, 1, 2, 30))), random)


def cut_piece_to_the_end(random: Random) -> Mutated:
    """Cut a piece out, from within a line to within the last one."""
    file = any_file(random)
    last = len(file.bars) - 1
    return _cut_between(file, last - random.choice((1, 2, 30)), last, random)


def _cut_between(file: RealFile, row: int, last: int, random: Random) -> Mutated:
    lines = file.lines(file.cells())
    begin, end = random.randint(1, len(lines[row]) - 1), random.randint(1, len(lines[last]) - 1)
    lines[row : last + 1] = [lines[row][:begin] + lines[last][end:]]
    what = f"what stood from row {row} to row {last} is cut out but for {begin} letters and all after {end}"
    return _of(file, file.text(lines).encode(file.encoding), what, range(row, row + 1))


def cut_lines(random: Random) -> Mutated:
    """Cut whole lines out, not the first or last ones."""
    file = any_file(random)
    lines = file.lines(file.cells())
    row = random.randrange(1, len(lines) - 2)
    last = min(len(lines) - 2, row + random.choice((0, 1, 30)))
    del lines[row : last + 1]
    what = f"rows {row} to {last} are cut out"
    return _of(file, file.text(lines).encode(file.encoding), what, range(row, row + 1))


def joined_lines(random: Random) -> Mutated:
    """Remove the end of a line, so that the next one is joined to it."""
    file = any_file(random)
    lines = file.lines(file.cells())
    row = random.randrange(len(lines) - 1)
    lines[row : row + 2] = [lines[row] + lines[row + 1]]
    return _of(file, file.text(lines).encode(file.encoding), f"rows {row} and {row + 1} are one", range(row, row + 1))


def cut_end(random: Random) -> Mutated:
    """End the file too soon, within a line or right after one."""
    file = any_file(random)
    cells = file.cells()
    lines = file.lines(cells)
    row = random.randrange(len(lines) * 4 // 5, len(lines))
    length = random.randint(1, len(lines[row]))
    cut = file.text([*lines[:row], lines[row][:length]]).removesuffix(file.sheet.end)
    kept = file.in_order[: row + (length == len(lines[row]))]
    made = _of(
        file, cut.encode(file.encoding), f"the file ends in row {row}, after {length} letters", range(row, row + 1)
    )
    return replace(made, bars=kept[::-1] if file.sheet.newest_first else kept)


# --- mixed encodings --------------------------------------------------------------------------------------------------

ENCODINGS = ("utf-8", "utf-8-sig", "cp1252", "utf-16", "utf-16-le", "utf-16-be")


def other_encoding(random: Random) -> Mutated:
    """Write some lines in another encoding than those before, as in joined files."""
    file = any_file(random)
    lines = [line + file.sheet.end for line in file.lines(file.cells())]
    rows, encoding = _stretch(file, random), random.choice(ENCODINGS)
    own = "utf-16-le" if file.encoding == "utf-16" else file.encoding.removesuffix("-sig")
    begin = file.text([]).encode(file.encoding) + "".join(lines[: rows.start]).encode(own)
    middle = "".join(lines[rows.start : rows.stop]).encode(encoding)
    content = begin + middle + "".join(lines[rows.stop :]).encode(own)
    return _of(file, content, f"{len(rows)} rows of a file in {file.encoding} are in {encoding}", rows)


def appended_file(random: Random) -> Mutated:
    """Append a second half with its own header, in another encoding and with other line ends."""
    file = any_file(random)
    lines, encoding = file.lines(file.cells()), random.choice(ENCODINGS)
    end = random.choice(("\n", "\r\n"))
    half = random.randint(1, len(lines) - 1)
    below = replace(file, sheet=replace(file.sheet, end=end)).text(lines[half:]).encode(encoding)
    what = f"from row {half} on a file in {encoding} is put below one in {file.encoding}"
    return _of(file, file.text(lines[:half]).encode(file.encoding) + below, what, range(half, len(lines)))


KINDS: dict[str, tuple[Callable[[Random], Mutated], ...]] = {
    "swapped columns": (swapped_columns,),
    "dropped cells": (emptied_cell, removed_cell, cell_moved_up),
    "shifted hours": (shifted_stretch, shifted_file),
    "scaled stretches": (scaled_stretch,),
    "cut lines": (cut_line, cut_piece, cut_lines, joined_lines, cut_end),
    "mixed encodings": (other_encoding, appended_file),
}

UNSEEN: dict[str, tuple[Callable[[Random], Mutated], str]] = {
    "shifted hours, no calendar": (
        shifted_unseen,
        "bars of a market that is open at those hours are written just so; a calendar tells (--calendar)",
    ),
    "a piece cut out, to the end": (
        cut_piece_to_the_end,
        "a file that ends sooner is a file, and its last number may be made of two",
    ),
    "a number cut short": (
        cut_last_number,
        "the line has its end, so nothing else is missing, and a smaller volume is a volume",
    ),
}
"""Mutations that the bars cannot reveal, and why."""
