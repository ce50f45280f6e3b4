"""The options that say how a file of bars is written, and the error that says why it cannot be read."""

from __future__ import annotations

import gzip
import zlib
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from scanner.clocks import zone_named
from scanner.wording.text import plain

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path
    from zoneinfo import ZoneInfo


class UnreadableFileError(ValueError):
    """A file of bars cannot be read; the message is one sentence that says which file, why, and what to do."""

    exit_code = 2


@dataclass(frozen=True, slots=True)
class ReadingOptions:
    """How files are written, if they do not show it themselves.

    ``tz`` is the zone of times that name none; ``stamp`` says whether a bar's time is its open or its close;
    ``time_format`` is the strptime format of times in no standard form, and ``decimal`` the decimal mark. Options not
    given are worked out from the file. ``columns`` maps the role of a column to its name in the header, empty for a
    column to leave out.
    """

    tz: str = "UTC"
    stamp: Literal["open", "close"] = "open"
    time_format: str | None = None
    decimal: Literal[".", ","] | None = None
    columns: tuple[tuple[str, str], ...] = ()

    @property
    def zone(self) -> ZoneInfo | None:
        """The zone of times that name none, None for UTC; ValueError if there is no such zone."""
        return None if self.tz == "UTC" else zone_named(self.tz)


@contextmanager
def reading(path: Path) -> Iterator[None]:
    """Turn an error of the operating system or gzip into one sentence about the file."""
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
    """Quote the content of a cell, at most ``limit`` characters; ``empty`` if there is none."""
    return f'"{plain(cell, limit)}"' if cell else "empty"
