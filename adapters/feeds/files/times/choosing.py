"""How the times of a file are written: in a standard form, or in the one format that fits the whole column."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import TYPE_CHECKING

import numpy as np
import pyarrow.compute as pc

from adapters.feeds.files.times.formats import formats_of, style_for
from adapters.feeds.files.times.styles import COMPACT, DATE, LOCAL, ZONED, epoch
from adapters.feeds.files.trouble import UnreadableFileError, quoted
from scanner.arrow import texts

if TYPE_CHECKING:
    from pathlib import Path

    from adapters.feeds.files.cells.arrow import Column
    from adapters.feeds.files.times.styles import Style

FIRST_EPOCH = 2_958_466
"""Smaller numbers are not times since 1970: they may be spreadsheet days, up to the year 9999, or row numbers."""
DAY_NUMBERS = range(10_000, 80_000)
"""Spreadsheet numbers of days (since 1899) for the years 1927 to 2119."""
COMPACT_MINUTES = 12
"""This many digits may be a date and a time of day, or milliseconds since 1970."""
MOST_TRIED = 1_000
"""A column with no time in this many cells has none."""
TELLING = 3
"""This many different times are not in order by chance."""
FEW = 10
"""One cell in this many may be a mistake."""


def reads(style: Style, cell: str) -> bool:
    """Say whether a cell is written in a style."""
    return not style.read(texts([cell])).null_count


def style_of(cell: str) -> Style | None:
    """Find the style of a cell; None if it is in no standard form, or is not a possible time."""
    for style in (DATE, COMPACT, LOCAL, ZONED):
        if re.fullmatch(style.pattern, cell, re.ASCII) and reads(style, cell):
            return style
    if not re.fullmatch(r"-?\d{1,19}(\.\d*)?", cell, re.ASCII) or formats_of(cell):
        return None
    return None if 0 <= float(cell) < FIRST_EPOCH else epoch(cell)


@dataclass(slots=True)
class _Candidate:
    """A candidate format, and how well it has fitted."""

    name: str
    style: Style
    failed: int = 0
    """Cells that only other candidates could read."""
    first: int | None = None
    last: int | None = None
    rises: bool = True
    falls: bool = True
    different: int = 0

    def see(self, found: Column) -> None:
        """Note in which order the times come."""
        read = found.drop_null().to_numpy(zero_copy_only=False)
        if not len(read):
            return
        self.first = int(read[0]) if self.first is None else self.first
        steps = np.diff(read if self.last is None else np.append(self.last, read))
        self.last = int(read[-1])
        self.rises &= bool((steps >= 0).all())
        self.falls &= bool((steps <= 0).all())
        self.different += int((steps != 0).sum())

    @property
    def in_order(self) -> bool:
        return (self.rises or self.falls) and self.different >= TELLING


@dataclass(slots=True)
class Choice:
    """Looks at the times of a file as they come, until only one format is left.

    ``given`` is the format that the user names.
    """

    given: str | None = None
    style: Style | None = None
    cell: str = ""
    """The time from which the candidates were found."""
    candidates: list[_Candidate] = field(default_factory=list)
    better: str = ""
    """A format that fits more of the times than the given one."""

    def __post_init__(self) -> None:
        """Take the given format."""
        if self.given is not None:
            self.style = style_for(self.given)

    @property
    def settled(self) -> bool:
        """Whether the style is known, so that no more cells need to be seen."""
        return self.style is not None or len(self._alive()) == 1

    def see(self, text: Column) -> None:
        """Look at a column of text."""
        if self.style is not None:
            self._test_given(text)
            return
        if not self.candidates:
            self._begin(text)
        found = [candidate.style.read(text) for candidate in self.candidates]
        if not found:
            return
        good = np.array([np.asarray(cells.is_valid()) for cells in found])
        some = good.any(axis=0)
        for candidate, cells, own in zip(self.candidates, found, good, strict=True):
            candidate.failed += int((some & ~own).sum())
            candidate.see(cells)

    def _test_given(self, text: Column) -> None:
        """Check whether times that do not fit the given format fit another one or a standard form."""
        if self.given is None or self.style is None:
            return
        read = self.style.read(text)
        missed = pc.utf8_trim_whitespace(text.filter(pc.is_null(read)))
        missed = missed.filter(pc.not_equal(missed, ""))
        if not len(missed):
            return
        self.cell = missed[0].as_py()
        standard = style_of(self.cell)
        if standard is not None and read.null_count == len(read) and standard.meaning == self.style.meaning:
            self.style, self.given = standard, None
            return
        right = len(read) - read.null_count
        fits = {name: len(text) - style_for(name).read(text).null_count for name in formats_of(self.cell)}
        self.better = next((name for name, count in fits.items() if count > right > 0), "")

    def _begin(self, text: Column) -> None:
        for each in text[:MOST_TRIED]:
            cell = (each.as_py() or "").strip()
            self.style = style_of(cell)
            if self.style is None and not (len(cell) == COMPACT_MINUTES and cell.isdigit()):
                found = [_Candidate(name, style_for(name)) for name in formats_of(cell)]
                self.candidates = [each for each in found if reads(each.style, cell)]
            if self.style is not None or self.candidates:
                self.cell = cell
                return

    def _alive(self) -> list[_Candidate]:
        """Give the candidates that are left."""
        if not self.candidates:
            return []
        fewest = min(each.failed for each in self.candidates)
        if fewest * FEW > max(each.failed for each in self.candidates):
            return []
        alive = [each for each in self.candidates if each.failed == fewest]
        return [each for each in alive if each.in_order] or alive

    def choose(self, path: Path, column: str) -> Style | None:
        """Choose the style, None if no cell is a time; UnreadableFileError if several are left, or none."""
        if self.better:
            raise UnreadableFileError(
                f"{path}: the time {quoted(self.cell)} in the column {quoted(column)} does not fit --time-format "
                f"{self.given}; {self.better} fits more of them, so give that or correct the times"
            )
        if self.style is None and self.candidates:
            alive = self._alive()
            if len(alive) > 1 and "%d.%m." not in alive[0].name:
                names = " or --time-format ".join(f"'{each.name}'" for each in alive)
                raise UnreadableFileError(
                    f"{path}: the column {quoted(column)} does not show which figure is the day, the month or "
                    f"the year, as in {quoted(self.cell)}; add --time-format {names} (%d is the day, %m the month)"
                )
            if not alive:
                names = " and ".join(f"'{each.name}'" for each in self.candidates)
                raise UnreadableFileError(
                    f"{path}: the times in the column {quoted(column)} are written in more than one way ({names}), so "
                    "that some could mean either; write all of them the same way"
                )
            self.style, self.given = alive[0].style, alive[0].name
        return self.style


def advice(cell: str) -> str:
    """Say what to do about a time that cannot be read."""
    if re.fullmatch(r"-?\d+([.,]\d*)?", cell):
        number = int(re.split("[.,]", cell)[0])
        if number in DAY_NUMBERS:
            day = date(1899, 12, 30) + timedelta(days=number)
            return (
                f"is a spreadsheet's number for a day ({day.isoformat()}); format its column as "
                "a date, such as 2024-01-31, and save the file again, or give the workbook itself"
            )
        if 0 <= number < FIRST_EPOCH:
            return "is too small a number for a time; name the column of times with --columns time=NAME"
    if style_of(cell) is not None:
        return "is in a standard form; leave --time-format out"
    letters = re.search(r"\d ([A-Z]{2,5})$", cell)
    if letters:
        return (
            f"ends in {letters[1]}, which does not say exactly which time zone; remove the letters, and give the zone "
            "with --tz, such as --tz America/New_York"
        )
    guesses = " or ".join(formats_of(cell)) or "%d %b %Y %H:%M"
    return f"is not in a standard form; say how it is written with --time-format, such as {guesses}"
