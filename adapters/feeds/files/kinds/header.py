"""Where the header of a table in text stands, and what parts its fields."""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from adapters.feeds.files.cells.columns import Columns, NoColumnsError, find_columns
from adapters.feeds.files.cells.names import DATES, MOMENTS, TIMES, plain

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from adapters.feeds.files.trouble import ReadingOptions

USUAL = ",;\t|"
LONGEST = 20_000
"""No header is longer."""
BELOW = 3
"""Lines below a header in which the name of its first column may stand, as pandas writes a header of several rows."""


@dataclass(frozen=True, slots=True)
class Header:
    """The header of a table: its columns, what parts the fields, and the line after which rows begin."""

    columns: Columns
    delimiter: str
    line: int


def fields_of(line: str, delimiter: str) -> list[str]:
    """Take one line apart; a quoted line end is no part of a field, so that a row is always one line."""
    try:
        return next(csv.reader([line], delimiter=delimiter), [])
    except csv.Error:  # a field of more than 131,072 letters
        return [line]


def find_header(path: Path, lines: Sequence[str], options: ReadingOptions) -> Header:
    """Find the first line that names the columns of a table of bars; UnreadableFileError where none does.

    Titles may stand above it, and ``sep=;`` on the first line says what parts the fields. Where the user gives the
    columns by their numbers, there is no header.
    """
    begin = next(index for index, line in enumerate(lines) if line.strip())
    told = re.fullmatch(r'"?sep=(.)"?', lines[begin].strip("\ufeff \r"), re.IGNORECASE)
    names = [name for role, name in options.columns for name in (name.split("+") if role == "time" else [name]) if name]
    numbered = bool(names) and all(name.isdecimal() for name in names)
    problem: NoColumnsError | None = None
    for index in range(begin + bool(told), len(lines)):
        for delimiter in [told[1]] if told else _delimiters(lines[index]):
            fields = [field.strip() for field in fields_of(lines[index][:LONGEST], delimiter)]
            try:
                if numbered:
                    columns = find_columns([str(number) for number in range(1, len(fields) + 1)], options, path)
                    return Header(columns, delimiter, index)
                return _with_header(path, lines, index, delimiter, fields, options)
            except NoColumnsError as found:
                if problem is None or found.found > problem.found:
                    problem = found
    if problem is None:
        raise NoColumnsError(f"{path}: it has no header; put the names of the columns on its first line", 0)
    raise problem


def _with_header(
    path: Path, lines: Sequence[str], index: int, delimiter: str, fields: list[str], options: ReadingOptions
) -> Header:
    try:
        return Header(find_columns(fields, options, path), delimiter, index + 1)
    except NoColumnsError:
        for below in range(index + 1, min(index + 1 + BELOW, len(lines))):
            first, *rest = fields_of(lines[below][:LONGEST], delimiter) or [""]
            if plain(first) in DATES | MOMENTS | TIMES and not any(map(str.strip, rest)):
                return replace(find_header(path, [delimiter.join([first, *fields[1:]])], options), line=below + 1)
        raise


def _delimiters(line: str) -> list[str]:
    """Give what may part the fields of a line, the likeliest first."""
    found = [mark for mark in dict.fromkeys(line) if mark.isascii() and not mark.isalnum() and mark not in USUAL]
    rare = [mark for mark in found if mark.isprintable() and mark not in " \"'.()<>[]{}_-"]
    usual = sorted(USUAL, key=lambda mark: -line.count(mark))
    return [
        *(mark for mark in usual if mark in line or mark == usual[0]),
        *rare,
        *([" "] if " " in line.strip() else []),
    ]
