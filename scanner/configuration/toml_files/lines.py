"""The line of each key of a TOML file."""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

Keys = tuple[str | int, ...]
"""The way to a setting: the names of its tables and its own, and places in lists."""

_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
STRING = r'"""(?:\\.|[^\\])*?"{3,5}' r"|'''.*?'{3,5}" r'|"(?:\\.|[^"\\])*"' r"|'[^']*'"
"""The pattern of a quoted text; its dots match any character."""
_STRING = re.compile(STRING, re.DOTALL)
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_BARE_VALUE = re.compile(r"[^,\]}#\n]*")


def around(way: Keys) -> Iterator[Keys]:
    """Give a way, and those to the tables and lists around it, the nearest first."""
    return (way[:length] for length in range(len(way), 0, -1))


def lines(text: str) -> dict[Keys, int]:
    """Give the line of every table, key and list element, by its path; the first line is 1.

    ``text`` must be valid for ``tomllib``. A table named only as part of another's path has the line of
    the first that names it.
    """
    return _Reader(text).read()


@dataclass(frozen=True, slots=True)
class Statement:
    """A heading or a setting: the line on which it begins, its path, and whether it ends inside a list.

    If it, or a table around it, appeared before, ``path`` is the path of that, and ``first`` its line; ``again``
    says that both are headings of the same table.
    """

    line: int
    path: Keys = ()
    heading: bool = False
    in_list: bool = False
    first: int | None = None
    again: bool = False


def broken_statement(text: str, at: int) -> Statement:
    """Find the statement that holds the character ``at``, up to which ``text`` is TOML."""
    return _Reader(text[:at]).last()


class _Reader:
    """Goes through a document once; it needs to know only where values end."""

    def __init__(self, text: str) -> None:
        self._text = text
        self._at = 0
        self._line, self._counted = 1, 0
        self._found: dict[Keys, int] = {}
        self._counts: dict[Keys, int] = {}  # of arrays of tables
        self._table: Keys = ()
        self._path: Keys = ()  # of the statement
        self._lists = 0  # open ones

    def read(self) -> dict[Keys, int]:
        self._skip()
        while self._at < len(self._text):
            self._statement()
            self._skip()
        return self._found

    def last(self) -> Statement:
        """Read until the text ends, in the middle of a statement or after it."""
        begun: dict[Keys, tuple[int, int]] = {}
        line, brackets, ended, counted = 1, 0, None, 0
        try:
            self._skip()
            while self._at < len(self._text):
                begun.setdefault(self._path, (line, brackets))
                self._path = ()
                line += self._text.count("\n", counted, self._at)
                counted = self._at
                brackets = sum(self._text.startswith(each, self._at) for each in ("[", "[["))
                self._statement()
                ended = self._at
                self._skip()
            if ended is None or "\n" in self._text[ended:]:
                return Statement(self._text.count("\n") + 1)
        except (IndexError, ValueError):
            pass  # here the text ends, or stops being TOML
        path = next((way for way in around(self._path) if way in begun), self._path)
        first, were = begun.get(path, (self._found.get(path, line), 0))
        again = brackets == were == 1 and path == self._path
        return Statement(line, path, brackets > 0, self._lists > 0, first if first < line else None, again)

    def _statement(self) -> None:
        if self._take("[["):
            self._table = self._path = self._entered(self._key(), array=True)
            self._take("]]")
        elif self._take("["):
            self._table = self._path = self._entered(self._key(), array=False)
            self._take("]")
        else:
            self._path = (*self._table, *self._key())
            self._pair(self._path)

    def _skip(self) -> None:
        blank = _BLANK.match(self._text, self._at)
        self._at = blank.end() if blank else self._at

    def _take(self, what: str) -> bool:
        self._skip()
        if not self._text.startswith(what, self._at):
            return False
        self._at += len(what)
        return True

    def _matched(self, pattern: re.Pattern[str]) -> str:
        found = pattern.match(self._text, self._at)
        if found is None or found.end() == self._at:
            raise ValueError(f"not TOML at character {self._at}")
        self._at = found.end()
        return found[0]

    def _note(self, path: Keys) -> None:
        """Remember the line of a path, and of those on the way to it that were not named before."""
        self._line += self._text.count("\n", self._counted, self._at)
        self._counted = self._at
        for length in range(1, len(path) + 1):
            self._found.setdefault(path[:length], self._line)

    def _key(self) -> tuple[str, ...]:
        parts = []
        while True:
            self._skip()
            if self._text[self._at] in "\"'":
                parts.append(next(iter(tomllib.loads(f"{self._matched(_STRING)} = 0"))))
            else:
                parts.append(self._matched(_BARE_KEY))
            if not self._take("."):
                return tuple(parts)

    def _entered(self, keys: tuple[str, ...], *, array: bool) -> Keys:
        """Give the path of a table from its heading, with the places in arrays of tables."""
        path: Keys = ()
        for number, key in enumerate(keys, start=1):
            path = (*path, key)
            if array and number == len(keys):
                self._counts[path] = self._counts.get(path, 0) + 1
            if path in self._counts:
                path = (*path, self._counts[path] - 1)
        self._note(path)
        return path

    def _pair(self, path: Keys) -> None:
        self._note(path)
        self._take("=")
        self._value(path)

    def _value(self, path: Keys) -> None:
        self._skip()
        if self._take("["):
            number = 0
            self._lists += 1
            while not self._take("]"):
                self._note((*path, number))
                self._value((*path, number))
                self._take(",")
                number += 1
            self._lists -= 1
        elif self._take("{"):
            while not self._take("}"):
                self._pair((*path, *self._key()))
                self._take(",")
        elif self._text[self._at] in "\"'":
            self._matched(_STRING)
        else:
            self._matched(_BARE_VALUE)
