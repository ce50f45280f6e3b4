"""The feed ``recorded``: bars from files, all at once for a replay, or played at a chosen pace as if they were live."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path  # noqa: TC003 - pydantic reads it when it runs
from typing import TYPE_CHECKING, Any

import numpy as np
from pydantic import Field, field_validator, model_validator

from adapters.feeds.files.opening import Recording, recordings, survey, tables
from adapters.feeds.files.settings import FileSettings
from adapters.feeds.files.trouble import ReadingOptions, UnreadableFileError
from scanner.clocks import DAY, PacedClock
from scanner.events import rfc3339
from scanner.market.bars import NO_TIME, RawBars
from scanner.ports import Answer, FeedTroubleError, Played
from scanner.wording.times import parse_time

if TYPE_CHECKING:
    import asyncio
    from collections.abc import Callable, Iterator, Mapping, Sequence

    import pandas as pd

    from scanner.ports import Want

PACE = 3_600.0
REAL_PATIENCE = 5.0
"""Seconds of real time before a recording is called late; its bars are always there, so only we can be slow."""


class RecordedSettings(FileSettings):
    """Which files to play, from when, and how fast."""

    path: Path = Field(description="a file of bars or a folder of them; relative to the configuration")
    pace: float = Field(
        PACE,
        gt=0,
        description="seconds of the recording that pass in one second; patience counts in them too, and its "
        "default is then at least five real seconds",
    )
    begin: str | None = Field(
        None,
        description="from when to play, RFC 3339; what came before is history; by default the last day",
    )

    @model_validator(mode="before")
    @classmethod
    def _patience_keeps_pace(cls, given: object) -> object:
        if not isinstance(given, dict) or "patience" in given:
            return given
        pace = given.get("pace", PACE)
        if not isinstance(pace, int | float):
            return given
        return given | {"patience": max(cls.model_fields["patience"].default, REAL_PATIENCE * pace)}

    @field_validator("begin")
    @classmethod
    def _begin_is_a_time(cls, value: str | None) -> str | None:
        try:
            is_moment = value is None or datetime.fromisoformat(value).tzinfo is not None
        except ValueError:
            is_moment = False
        if not is_moment:
            raise ValueError("it must be a time with its zone, as in 2024-06-03T13:30:00Z")
        return value


class RecordedFeed:
    """Bars recorded in files, which are played from its start on."""

    Settings = RecordedSettings
    batch = 500
    """The history of thousands of series is read in parts, not held as a whole."""

    arrived: asyncio.Event | None = None

    def __init__(self, settings: RecordedSettings) -> None:
        self.settings = settings
        self.limits = settings.limits
        self._played: Played | None = None
        self._bars: dict[str, RawBars] = {}
        self._in_order: set[str] = set()

    @classmethod
    def recordings(
        cls,
        paths: Sequence[Path],
        *,
        on_progress: Callable[[int, int], None] | None = None,
        on_trouble: Callable[[str], None] | None = None,
        **written: Any,  # noqa: ANN401 - the fields of ReadingOptions
    ) -> Iterator[Recording]:
        """Open files and folders of bars, one recording for each instrument.

        ``written`` are ReadingOptions, as far as the files do not make them clear; ``on_progress`` receives the bytes
        read and the bytes in all, and ``on_trouble`` each file that cannot be opened; the others are read. Raises
        adapters.feeds.files.trouble.UnreadableFileError, a ValueError.
        """
        return recordings(paths, ReadingOptions(**written), on_progress, on_trouble)

    @classmethod
    def tables(cls, frames: Mapping[str, pd.DataFrame], **written: Any) -> Iterator[Recording]:  # noqa: ANN401 - as above
        """Read tables in memory, by name, as ``recordings`` reads files."""
        return tables(frames, ReadingOptions(**written))

    @classmethod
    def survey(cls, paths: Sequence[Path], **written: Any) -> Iterator[tuple[Path, str | None, str]]:  # noqa: ANN401 - as above
        """Give for each file its instrument, None if it may hold several, and what is wrong with it."""
        return survey(paths, ReadingOptions(**written))

    def play(self) -> Played:
        """Read the files, unless they were read already, and play them up to the last stamp in them."""
        if self._played is None:
            self._played = self._read()
        return self._played

    def _read(self) -> Played:
        settings = self.settings
        try:
            for recording in recordings([settings.path], settings.reading):
                bars = self._bars[recording.symbol] = RawBars.joined(list(recording.bars))
                if bool((bars.stamp[1:] >= bars.stamp[:-1]).all()):
                    self._in_order.add(recording.symbol)
        except UnreadableFileError as problem:
            raise FeedTroubleError(str(problem)) from problem
        known = [bars.stamp[bars.stamp != NO_TIME] for bars in self._bars.values()]
        first = min((int(stamps.min()) for stamps in known if len(stamps)), default=0)
        end = max((int(stamps.max()) for stamps in known if len(stamps)), default=0)
        begin = end - DAY if settings.begin is None else parse_time(settings.begin)
        if not first - DAY <= begin <= end:  # a day may begin well before its first bar
            raise FeedTroubleError(
                f"{settings.path}: begin, {settings.begin}, lies outside the recording, which goes from "
                f"{rfc3339(first)} to {rfc3339(end)}"
            )
        return Played(PacedClock(begin, settings.pace), end)

    async def start(self) -> None:
        """Play, unless it is being played."""
        from asyncio import to_thread  # noqa: PLC0415 - slow to load, and not needed for a replay

        await to_thread(self.play)

    async def stop(self) -> None:
        """Stop; there is nothing to release."""

    async def fetch(self, wants: Sequence[Want]) -> Sequence[Answer]:
        """Give the rows of the recording up to the time being played."""
        if self._played is None:
            raise FeedTroubleError(f"{self.settings.path} was not read yet; start the feed first")
        now = self._played.clock.now()
        return [Answer(want, self._until(want, now)) for want in wants if want.symbol in self._bars]

    def _until(self, want: Want, now: int) -> RawBars:
        bars = self._bars[want.symbol]
        since = NO_TIME if want.since is None else want.since - (DAY if bars.stamp_kind == "date" else 0)
        if want.symbol in self._in_order:
            # Views: the history of thousands of series, copied, would take as much memory again.
            first, last = np.searchsorted(bars.stamp, since), np.searchsorted(bars.stamp, now, side="right")
            return bars[int(first) : int(last)]
        return bars.where((bars.stamp >= since) & (bars.stamp <= now))
