"""Reading a configuration: the result is a document or one sentence, whatever is at its path."""

from __future__ import annotations

import errno
import os
import re
import stat
import tomllib
from typing import TYPE_CHECKING, Any

from scanner.configuration.toml_files.faults import fault
from scanner.configuration.toml_files.lines import STRING, around, lines

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from scanner.configuration.toml_files.lines import Keys

MEBIBYTE = 2**20
LARGEST = 8 * MEBIBYTE
"""Largest configuration, in bytes; one with ten thousand instruments has less than two MiB."""
DEEPEST = 32
"""Deepest nesting of tables and lists; no setting needs ten. Parsers and validators recurse for each level."""
TOO_DEEP = f"tables and lists are nested more than {DEEPEST} deep here, which no setting needs; remove the excess"
WHOLE = range(-(2**63), 2**63)
"""The whole numbers that TOML 1.0 guarantees to keep."""

_MARK = re.compile(rf"(?:{STRING})|#[^\n]*|[\[\]{{}}.=,\n\"']", re.DOTALL)
"""Everything that affects the nesting depth; a lone quote is never closed."""


class TomlFaultError(Exception):
    """A text is not TOML, or cannot be settings: the ``line``, from 1, and a sentence."""

    def __init__(self, line: int, sentence: str) -> None:
        super().__init__(sentence)
        self.line = line


def read_text(path: Path) -> str:
    """Read a file of UTF-8, of at most LARGEST bytes.

    OSError if that fails, also for a pipe or a device, which might never end; UnicodeDecodeError.
    """
    file = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)  # do not wait for a pipe without a writer
    try:
        if not stat.S_ISREG(os.fstat(file).st_mode):
            raise OSError(errno.EINVAL, "it is not a regular file", str(path))
        with open(file, "rb", closefd=False) as stream:
            content = stream.read(LARGEST + 1)
    finally:
        os.close(file)
    if len(content) > LARGEST:
        raise OSError(errno.EFBIG, f"it has more than {LARGEST:,} bytes", str(path))
    return content.decode()


def state_of(path: Path) -> object:
    """Give a value that changes whenever a file does, also if it is replaced or goes."""
    try:
        found = path.stat()
    except OSError as problem:
        return type(problem)
    return found.st_mtime_ns, found.st_size, found.st_ino


def document_of(text: str) -> dict[str, Any]:
    """Parse TOML; TomlFaultError if it is not TOML, or holds a value no setting can have."""
    line = _line_too_deep(text)
    if line is not None:
        raise TomlFaultError(line, TOO_DEEP)
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError as problem:
        raise TomlFaultError(*fault(text, problem)) from None
    except ValueError:  # Python itself refuses to read a number of thousands of digits
        long = re.search(r"\d[\d_]{600,}", text)
        line = text.count("\n", 0, long.start() if long else 0) + 1
        raise TomlFaultError(line, "a number has too many digits; write one that fits in 64 bits") from None
    wrong = next(_useless(document), None)
    if wrong is not None:
        (path, sentence), line_of = wrong, lines(text)
        raise TomlFaultError(next(line_of[each] for each in around(path) if each in line_of), sentence)
    return document


def _line_too_deep(text: str) -> int | None:
    """Find the line on which a text is nested too deeply for a parser; None if there is none."""
    brackets = parts = 0
    for found in _MARK.finditer(text):
        mark = found[0]
        if mark in {'"', "'"}:
            return None  # the parser gives up here
        if mark == ".":
            parts += 1
        elif mark in "=,\n[]{}":
            parts = 0
            brackets += (mark in "[{") - (mark in "]}")
        if max(brackets, parts) > DEEPEST:
            return text.count("\n", 0, found.start()) + 1
    return None


def _useless(document: dict[str, Any]) -> Iterator[tuple[Keys, str]]:
    """Find values that TOML allows and no setting can have, each with its path and a sentence."""
    todo: list[tuple[Keys, Any]] = [((), document)]
    while todo:
        path, value = todo.pop()
        if len(path) > DEEPEST:
            yield path, TOO_DEEP
        elif any(isinstance(each, str) and "\0" in each for each in (*path[-1:], value)):
            yield path, r"a text must not hold the character \u0000; remove it"
        elif isinstance(value, dict):
            todo += [((*path, key), each) for key, each in value.items()]
        elif isinstance(value, list):
            todo += [((*path, place), each) for place, each in enumerate(value)]
        elif isinstance(value, int) and value not in WHOLE:
            yield path, "a whole number must fit in 64 bits; write a smaller one"
