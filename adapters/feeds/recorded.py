"""The feed ``recorded``: bars from files."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from adapters.feeds.bar_files import Recording, recordings
from adapters.feeds.files_trouble import ReadingOptions

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from pathlib import Path


class RecordedFeed:
    """Bars that were recorded in files, to be replayed."""

    @classmethod
    def recordings(
        cls,
        paths: Sequence[Path],
        *,
        tz: str = "UTC",
        stamp: Literal["open", "close"] = "open",
        time_format: str | None = None,
        on_progress: Callable[[int, int], None] | None = None,
    ) -> Iterator[Recording]:
        """Open files and folders of bars, one recording for each instrument of each file.

        The keywords say how times are written where the files do not; ``on_progress`` is told the bytes read and
        those in all. Raises adapters.feeds.bar_files.UnreadableFileError, a ValueError.
        """
        return recordings(paths, ReadingOptions(tz, stamp, time_format), on_progress)
