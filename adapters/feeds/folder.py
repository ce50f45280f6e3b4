"""The feed ``folder``: CSV files that another program appends to, one for each instrument and timeframe."""

from __future__ import annotations

import asyncio
import os
import re
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from pydantic import Field, field_validator

from adapters.feeds.files.growing import GrowingFile
from adapters.feeds.files.settings import FileSettings
from adapters.feeds.files.trouble import UnreadableFileError
from scanner.clocks import SECOND
from scanner.market.bars import NO_TIME
from scanner.market.sessions.timeframes import Timeframe
from scanner.ports import Answer, FeedTroubleError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from scanner.market.bars import RawBars
    from scanner.ports import Want

FEWEST_COARSER = 20
"""Gaps from which on rows count as coarser bars: a few gaps may be bars without a trade."""
HOUR = 3_600


class FolderSettings(FileSettings):
    """The settings of the feed ``folder``."""

    path: Path = Field(description="the folder")
    pattern: str = Field(
        "{symbol}_{timeframe}.csv", description="the name of a file; {symbol} and {timeframe} are filled in"
    )
    keep: int = Field(300, ge=1, description="rows of each file kept in memory for repeated requests")

    @field_validator("pattern")
    @classmethod
    def _names_a_symbol(cls, value: str) -> str:
        if "{symbol}" not in value:
            raise ValueError("the name of a file must contain {symbol}")
        for found in re.findall(r"\{.*?\}", value):
            if found not in {"{symbol}", "{timeframe}"}:
                raise ValueError(f"{value!r} has an unknown placeholder {found}; known are {{symbol}}, {{timeframe}}")
        return value


class FolderFeed:
    """Reads rows appended to files, from where it last stopped."""

    Settings = FolderSettings
    batch = 1
    arrived: asyncio.Event | None = None

    def __init__(self, settings: FolderSettings) -> None:
        self.settings = settings
        self.limits = settings.limits
        self._options = settings.reading
        self._files: dict[Path, GrowingFile] = {}
        # Its own: if a network drive is gone, each read hangs, and would take the threads of all others.
        self._threads = ThreadPoolExecutor(settings.at_once, "folder")

    async def start(self) -> None:
        """Check that the folder exists; raises FeedTroubleError."""
        if not await asyncio.get_running_loop().run_in_executor(self._threads, self.settings.path.is_dir):
            raise FeedTroubleError(f"{self.settings.path}: there is no such folder; check path")

    async def stop(self) -> None:
        """Do nothing: no file is kept open."""

    async def fetch(self, wants: Sequence[Want]) -> Sequence[Answer]:
        """Answer each want from its file; raises FeedTroubleError."""
        loop = asyncio.get_running_loop()
        try:
            return [Answer(want, await loop.run_in_executor(self._threads, self._read, want)) for want in wants]
        except UnreadableFileError as problem:
            raise FeedTroubleError(_in_settings(str(problem))) from problem

    def _read(self, want: Want) -> RawBars:
        path = self._path(want)
        if path not in self._files:
            self._files[path] = GrowingFile(path, self._options, self.settings.keep)
        bars = self._files[path].read(want.since)
        if found := other_timeframe(bars.stamp, Timeframe.named(want.timeframe)):
            del self._files[path]  # once the file is mended, it is read from its beginning
            raise FeedTroubleError(
                f"{path}: its bars are {found.name} bars, not {want.timeframe} bars, so none of them is used; check "
                "pattern, timeframes and the program that writes the file"
            )
        return bars

    def _path(self, want: Want) -> Path:
        folder = self.settings.path
        name = self.settings.pattern.replace("{symbol}", want.symbol)
        name = name.replace("{timeframe}", self.settings.timeframe_there(want.timeframe))
        path = Path(os.path.normpath(folder / name))
        if "\0" in name or not path.is_relative_to(os.path.normpath(folder)):
            raise FeedTroubleError(f"{folder}: it has no file {name!r}; check the symbol {want.symbol!r}")
        return path


def _in_settings(sentence: str) -> str:
    """Name settings as in the configuration, not as on the command line."""
    sentence = sentence.replace("--stamp close", 'stamp = "close"')
    return re.sub(r"--(time-format|decimal|columns|tz)", lambda option: option[1].replace("-", "_"), sentence)


def other_timeframe(stamps: NDArray[np.int64], asked: Timeframe) -> Timeframe | None:
    """Give the timeframe that rows have instead of the one asked for; None if they may be bars of that one.

    ``stamps`` are in nanoseconds. Finer rows show in most gaps, with two of them in a row: the last bar of a session
    may be shorter than the others, which makes one short gap. Coarser rows show only if none is nearer to another than
    the coarser timeframe, and daily ones only where a session must have several bars.
    """
    gaps = np.diff(stamps[stamps != NO_TIME]) // SECOND
    gaps = gaps[gaps > 0]
    found = Timeframe.from_spacing(stamps)
    if found is None or not asked.intraday:
        return None
    short = gaps < asked.seconds
    if np.any(short[1:] & short[:-1]) and 2 * np.count_nonzero(short) > len(gaps):
        return found if found < asked else None
    several = found.intraday or asked.seconds <= HOUR
    coarser = asked < found and several and len(gaps) >= FEWEST_COARSER and bool(np.all(gaps >= found.seconds))
    return found if coarser else None
