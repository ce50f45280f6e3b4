"""One instrument in several files: a file a year, say, put end to end."""

from __future__ import annotations

from itertools import chain
from typing import TYPE_CHECKING

from adapters.feeds.files.trouble import UnreadableFileError
from scanner.market.bars import NO_TIME, RawBars
from scanner.market.sessions.timeframes import Timeframe

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path


def end_to_end(symbol: str, files: Sequence[tuple[Path, Iterator[RawBars]]]) -> tuple[Path, Iterator[RawBars]]:
    """Give the rows of all files, the earliest file first, and the path of that file.

    If files overlap in time, the guard refuses the repeated rows. UnreadableFileError if their bars have different
    timeframes or their times are of different kinds, so that they cannot be one series.
    """
    if len(files) == 1:
        return files[0]
    begun = [(path, next(bars), bars) for path, bars in files]
    begun.sort(key=lambda each: min((stamp for stamp in each[1].stamp.tolist() if stamp != NO_TIME), default=NO_TIME))
    path, first, _ = begun[0]
    for other, raw, _ in begun[1:]:
        for what, here, there in (
            ("bars are", _spacing(first), _spacing(raw)),
            ("times are those of the", first.stamp_kind, raw.stamp_kind),
        ):
            if here != there:
                raise UnreadableFileError(
                    f"{path} and {other} both hold {symbol}, but in one its {what} {here} and in the other {there}; "
                    "read them one at a time"
                )
    return path, chain.from_iterable(chain([raw], bars) for _, raw, bars in begun)


def _spacing(raw: RawBars) -> str:
    found = Timeframe.from_spacing(raw.stamp)
    return "unknown" if found is None else found.name
