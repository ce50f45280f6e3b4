"""Finding the header of a table, and in text the delimiter of its fields."""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from adapters.feeds.files.cells.columns import Columns, NoColumnsError, find_columns
from adapters.feeds.files.cells.names import DATES, MOMENTS, TIMES, plain
from adapters.feeds.files.trouble import UnreadableFileError
from adapters.feeds.raw_rows import PRICES

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence
    from pathlib import Path

    from adapters.feeds.files.trouble import ReadingOptions

USUAL = ",;\t|"
LONGEST = 20_000
"""No header is longer than this."""
BELOW = 3
"""Lines below a header that may hold the name of its first column, since pandas writes headers of several rows."""


@dataclass(frozen=True, slots=True)
class Header:
    """The header of a table: its columns, the delimiter, and the line after which rows begin."""

    columns: Columns
    delimiter: str
    line: int


Try = tuple[int, str, "Sequence[str]"]
"""A line that may be the header: its index, the delimiter, and its fields."""


def fields_of(line: str, delimiter: str) -> list[str]:
    """Split one line into fields; a quoted line end does not belong to a field, so that a row is always one line."""
    try:
        return next(csv.reader([line], delimiter=delimiter), [])
    except csv.Error:  # a field of more than 131,072 letters
        return [line]


def find_header(path: Path, lines: Sequence[str], options: ReadingOptions) -> Header:
    """Find the first line that names the columns of a table of bars; UnreadableFileError if none does.

    Titles may stand above it, and ``sep=;`` on the first line gives the delimiter.
    """
    begin = next((index for index, line in enumerate(lines) if line.strip()), None)
    if begin is None:
        raise UnreadableFileError(f"{path}: its first lines are blank; put the names of the columns on the first")
    told = re.fullmatch(r'"?sep=(.)"?', lines[begin].strip(" \r"), re.IGNORECASE)

    def fields(index: int, delimiter: str) -> list[str]:
        return fields_of(lines[index][:LONGEST], delimiter) if index < len(lines) else []

    def tries() -> Iterator[Try]:
        for index in range(begin + bool(told), len(lines)):
            for delimiter in [told[1]] if told else _delimiters(lines[index]):
                yield index, delimiter, fields(index, delimiter)

    header = first_header(path, tries(), fields, options)
    _refuse_rows_above(path, header, [fields(index, header.delimiter) for index in range(header.line - 1)])
    return header


def _refuse_rows_above(path: Path, header: Header, above: Sequence[Sequence[str]]) -> None:
    """Refuse a file with rows above the header, such as two files put together."""
    columns = header.columns
    for number, cells in enumerate(above, 1):
        prices = [cells[columns.numbers[name]] for name in PRICES] if len(cells) == len(columns.names) else [""]
        if all(re.fullmatch(r"[^A-Za-z]*\d[^A-Za-z]*", price) for price in prices):
            raise UnreadableFileError(
                f"{path}: line {number} looks like a row, but the names of the columns stand below it, in line "
                f"{header.line}; put them on the first line"
            )


def first_header(
    path: Path, tries: Iterable[Try], fields: Callable[[int, str], Sequence[str]], options: ReadingOptions
) -> Header:
    """Find the first candidate that is a header; ``fields`` gives the fields of any line, for the lines below it.

    If the user gives the columns by number, there is no header.
    """
    told = [part for role, name in options.columns for part in (name.split("+") if role == "time" else [name]) if part]
    numbered = bool(told) and all(part.strip().isdecimal() for part in told)
    problem = NoColumnsError(f"{path}: it has no header; put the names of the columns on its first line", -1)
    for index, delimiter, cells in tries:
        names = [cell.strip() for cell in cells]
        try:
            if numbered:
                numbers = [str(number) for number in range(1, len(names) + 1)]
                return Header(find_columns(numbers, options, path), delimiter, index)
            return Header(find_columns(names, options, path), delimiter, index + 1)
        except NoColumnsError as found:
            problem = max(problem, found, key=lambda each: each.found)
        for below in range(index + 1, index + 1 + BELOW):
            first, *rest = fields(below, delimiter) or [""]
            if plain(first) in DATES | MOMENTS | TIMES and not any(map(str.strip, rest)):
                try:
                    return Header(find_columns([first, *names[1:]], options, path), delimiter, below + 1)
                except NoColumnsError:
                    break
    raise problem


def _delimiters(line: str) -> list[str]:
    """Give the possible delimiters of a line, the likeliest first."""
    found = [mark for mark in dict.fromkeys(line) if mark.isascii() and not mark.isalnum() and mark not in USUAL]
    rare = [mark for mark in found if mark.isprintable() and mark not in " \"'.()<>[]{}_-"]
    usual = sorted(USUAL, key=lambda mark: -line.count(mark))
    return [
        *(mark for mark in usual if mark in line or mark == usual[0]),
        *rare,
        *([" "] if " " in line.strip() else []),
    ]
