"""On which line of a TOML file each of its keys stands."""

from __future__ import annotations

import re
import tomllib

Path = tuple[str | int, ...]

_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_STRING = re.compile(
    r'"""(?:\\.|[^\\])*?"{3,5}' r"|'''.*?'{3,5}" r'|"(?:\\.|[^"\\])*"' r"|'[^']*'",
    re.DOTALL,
)
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_BARE_VALUE = re.compile(r"[^,\]}#\n]*")


def lines(text: str) -> dict[Path, int]:
    """Give the line of every table, key and list element, by its path; the first line is 1.

    ``text`` must be TOML that ``tomllib`` reads. A table that is only named on the way to another has the line of the
    first that names it.
    """
    return _Reader(text).read()


class _Reader:
    """Goes through a document once; what it has to know of values is only where they end."""

    def __init__(self, text: str) -> None:
        self._text = text
        self._at = 0
        self._line, self._counted = 1, 0
        self._found: dict[Path, int] = {}
        self._counts: dict[Path, int] = {}  # of arrays of tables

    def read(self) -> dict[Path, int]:
        table: Path = ()
        self._skip()
        while self._at < len(self._text):
            if self._take("[["):
                table = self._entered(self._key(), array=True)
                self._take("]]")
            elif self._take("["):
                table = self._entered(self._key(), array=False)
                self._take("]")
            else:
                self._pair(table)
            self._skip()
        return self._found

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
            raise ValueError(f"no TOML at character {self._at}")
        self._at = found.end()
        return found[0]

    def _note(self, path: Path) -> None:
        """Remember where a path stands, and those on the way to it that nothing has named before."""
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

    def _entered(self, keys: tuple[str, ...], *, array: bool) -> Path:
        """Give the path of a table from its heading, with the places in arrays of tables."""
        path: Path = ()
        for number, key in enumerate(keys, start=1):
            path = (*path, key)
            if array and number == len(keys):
                self._counts[path] = self._counts.get(path, 0) + 1
            if path in self._counts:
                path = (*path, self._counts[path] - 1)
        self._note(path)
        return path

    def _pair(self, table: Path) -> None:
        path = (*table, *self._key())
        self._note(path)
        self._take("=")
        self._value(path)

    def _value(self, path: Path) -> None:
        self._skip()
        if self._take("["):
            number = 0
            while not self._take("]"):
                self._note((*path, number))
                self._value((*path, number))
                self._take(",")
                number += 1
        elif self._take("{"):
            while not self._take("}"):
                self._pair(path)
                self._take(",")
        elif self._text[self._at] in "\"'":
            self._matched(_STRING)
        else:
            self._matched(_BARE_VALUE)
