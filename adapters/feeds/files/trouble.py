"""What may be said of a file of bars before and after it is read: how it is written, and why it cannot be read."""

from __future__ import annotations

import gzip
import zlib
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


class UnreadableFileError(ValueError):
    """A file of bars cannot be read; the message is one sentence that says which file, why, and what to do."""

    exit_code = 2


@dataclass(frozen=True, slots=True)
class ReadingOptions:
    """How the files are written, where they do not say so themselves.

    ``tz`` is the zone of times that name none; ``stamp`` says whether a bar's time is its open or its close;
    ``time_format`` is the strptime form of times that are in no standard form, and ``decimal`` the decimal mark. They
    are found in the file where they are not given. ``columns`` has what a column holds with its name in the header,
    empty for a column that is to be left out.
    """

    tz: str = "UTC"
    stamp: Literal["open", "close"] = "open"
    time_format: str | None = None
    decimal: Literal[".", ","] | None = None
    columns: tuple[tuple[str, str], ...] = ()


@contextmanager
def reading(path: Path) -> Iterator[None]:
    """Turn what the operating system and gzip complain of into one sentence about the file."""
    try:
        yield
    except EOFError as problem:
        raise UnreadableFileError(
            f"{path}: the gzip file is cut off, so nothing in it can be trusted; fetch it again"
        ) from problem
    except (gzip.BadGzipFile, zlib.error) as problem:
        raise UnreadableFileError(f"{path}: the gzip file is damaged; fetch it again") from problem
    except FileNotFoundError as problem:
        raise UnreadableFileError(f"{path}: there is no such file; check the name") from problem
    except PermissionError as problem:
        raise UnreadableFileError(f"{path}: no permission to read it; change its access rights") from problem
    except OSError as problem:
        why = problem.strerror or "the system gives no reason"
        raise UnreadableFileError(f"{path}: it cannot be read ({why}); check the file and the disk") from problem


def quoted(cell: str | None, limit: int = 60) -> str:
    """Show what stood in a cell, in quotes and not longer than ``limit``; ``empty`` where there was nothing."""
    if not cell:
        return "empty"
    shown = "".join(letter if letter.isprintable() else "�" for letter in cell[: limit + 1])
    return f'"{shown}"' if len(shown) <= limit else f'"{shown[:limit]}…"'
