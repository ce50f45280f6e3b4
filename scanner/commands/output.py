"""Where output goes: progress and notes to stderr, results to stdout or to a file that is never half written."""

from __future__ import annotations

import os
import sys
from contextlib import contextmanager
from pathlib import Path
from shutil import get_terminal_size
from typing import TYPE_CHECKING

from scanner.commands.trouble import UsageError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from typing import BinaryIO


def say(*lines: str) -> None:
    """Write lines of a result to stdout; a character it cannot encode is escaped."""
    text, encoding = "".join(f"{line}\n" for line in lines), sys.stdout.encoding or "utf-8"
    sys.stdout.write(text.encode(encoding, "backslashreplace").decode(encoding))


def tell(*lines: str) -> None:
    """Write lines about the work to stderr."""
    sys.stderr.write("".join(f"{line}\n" for line in lines))
    sys.stderr.flush()


def width() -> int | None:
    """How many columns a line may have: those of the terminal, or None if a file or a program reads the output."""
    return get_terminal_size().columns if sys.stdout.isatty() else None


@contextmanager
def whole_file(target: str) -> Iterator[BinaryIO]:
    """Open a file that appears only once it is complete; ``-`` is stdout, and a device or pipe is written directly."""
    if target == "-":
        yield sys.stdout.buffer
        return
    with _in_the_end(Path(target)) as part:
        try:
            with part.open("wb", buffering=1 << 20) as stream:
                yield stream
        except OSError as problem:
            if isinstance(problem, BrokenPipeError) or problem.filename not in {None, str(part)}:
                raise
            raise _unwritable(Path(target), problem) from problem


def write_whole(path: Path, content: bytes, *, private: bool = False) -> None:
    """Write a file that appears only once it is complete; a device or pipe is written directly.

    Only its owner can read a ``private`` one.
    """
    with _in_the_end(path) as part:
        try:
            if private and not part.exists():
                part.touch(0o600)
            part.write_bytes(content)
        except OSError as problem:
            raise _unwritable(path, problem) from problem


def not_among(target: str, option: str, paths: Sequence[Path]) -> None:
    """Refuse to overwrite an input file; UsageError."""
    path = Path(target)
    if not path.is_file():
        return
    for given in paths:
        members = [given, *(given.iterdir() if given.is_dir() else ())]
        if any(member.is_file() and path.samefile(member) for member in members):
            raise UsageError(f"{option} {target}: this is one of the input files; choose another name")


def _unwritable(path: Path, problem: OSError) -> UsageError:
    return UsageError(f"{path}: it cannot be written ({problem.strerror or problem}); nothing was kept")


@contextmanager
def _in_the_end(path: Path) -> Iterator[Path]:
    """Give a path to write to, which replaces ``path`` on success and is removed on failure."""
    if path.is_dir():
        raise UsageError(f"{path}: it is a folder; give a file in it")
    if path.exists() and not path.is_file():
        yield path
        return
    path = path.resolve()  # what a link points to is replaced, not the link
    if not path.parent.is_dir():
        raise UsageError(f"{path}: there is no folder {path.parent}; make it first")
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        yield part
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)


@contextmanager
def progress(words: str) -> Iterator[Callable[[int, int], None] | None]:
    """Show a progress bar on stderr; nothing if stderr is not a terminal."""
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console  # noqa: PLC0415 - only where there is a terminal
    from rich.progress import (  # noqa: PLC0415 - as above
        BarColumn,
        Progress,
        TaskProgressColumn,
        TextColumn,
        TimeRemainingColumn,
    )

    columns = (TextColumn(words), BarColumn(), TaskProgressColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as shown:
        task = shown.add_task(words, total=None)

        def on_progress(done: int, total: int) -> None:
            shown.update(task, completed=done, total=total)

        yield on_progress
