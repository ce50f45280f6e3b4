"""What the commands about one bar of a recording share: reading it, and finding the bar."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from itertools import chain
from typing import TYPE_CHECKING

import numpy as np

from scanner.clocks import DAY, SECOND, zone_named
from scanner.commands import output
from scanner.commands.ready import compile_once
from scanner.commands.recorded.several import Troubles
from scanner.commands.trouble import UsageError
from scanner.market.bars import Bars
from scanner.market.sessions.timeframes import Timeframe
from scanner.replays.contradictions import unconfigured
from scanner.replays.recordings import advised, begun, recordings
from scanner.replays.replay import MostlyRefusedError, Tally, checked_blocks
from scanner.wording.text import plain

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from pathlib import Path

    from scanner.engine.series_engine import SeriesEngine
    from scanner.events import Event
    from scanner.pipeline import Lane, Pipeline
    from scanner.replays.recordings import Reading
    from scanner.replays.replay import Recording

NAMES_SHOWN = 400
"""Characters shown of the names of all instruments."""


@dataclass(frozen=True, slots=True)
class OneBar:
    """A bar of a recording: all bars on its timeframe, and its number among them.

    ``engine`` has seen the bars up to this one, or to the end of the recording if that was asked for, and ``said``
    holds its events on them.
    """

    engine: SeriesEngine
    bars: Bars
    index: int
    tally: Tally
    said: list[Event]


@dataclass(frozen=True, slots=True)
class Recorded:
    """A whole recording: its base bars, and how to make a pipeline that has seen none of them."""

    fresh: Callable[[], Pipeline]
    base: Bars
    tally: Tally

    @classmethod
    def read(cls, paths: Sequence[Path], reading: Reading, at: str, instrument: str | None) -> Recorded:
        """Read the recording; UsageError if there are none or several, or ``at`` is wrong."""
        parse_moment(at, reading.tz)
        compile_once([reading.rulebook], reading.settings)
        recording = _one_of(paths, reading, instrument)
        reading = _with_coarser(reading, recording.symbol)
        tally = Tally(recording.symbol, str(recording.path))
        inputs, chunks = begun(reading, recording, tally)
        try:
            parts = [checked.bars for _, checked in checked_blocks(chunks, inputs.guard(), tally)]
        except MostlyRefusedError as problem:
            raise UsageError(advised(problem, recording, reading)) from None
        output.tell(*unconfigured(reading.settings, [recording.symbol]))
        return cls(inputs.pipeline, Bars.joined(parts), tally)

    @property
    def timeframe(self) -> Timeframe:
        """The requested timeframe."""
        return Timeframe.named(self.tally.timeframes[0])

    def at(self, at: str, zone: str, *, to_the_end: bool = False) -> OneBar:
        """Find the bar of a day or a time; UsageError if there is none."""
        bars = self.lane_bars()
        index = bar_at(bars, parse_moment(at, zone), day=is_day(at))
        if index is None:
            raise UsageError(_no_bar(bars, at, self.tally))
        ((engine, said),) = self.run_until([int(bars.close_time[-1 if to_the_end else index])])
        return OneBar(engine, bars, index, self.tally, said)

    def of_day(self, at: str, zone: str) -> Iterator[OneBar]:
        """Give all bars that closed on a day, or ended it at midnight; UsageError if there is none."""
        bars = self.lane_bars()
        begin, end = (parse_moment(at, zone, days=days) for days in (0, 1))
        first, stop = np.searchsorted(bars.close_time, [begin, end], side="right").tolist()
        if first == stop:
            raise UsageError(_no_bar(bars, at, self.tally))
        for index, (engine, said) in enumerate(self.run_until(bars.close_time[first:stop].tolist()), first):
            yield OneBar(engine, bars, index, self.tally, said)

    def _lane(self, pipeline: Pipeline) -> Lane:
        return next(lane for lane in pipeline.lanes if lane.timeframe == self.timeframe)

    def lane_bars(self) -> Bars:
        """Give all bars of the requested timeframe."""
        pipeline = self.fresh()
        lane = self._lane(pipeline)
        return Bars.joined([own for each, own in pipeline.lanes_of(self.base) if each is lane])

    def run_until(self, moments: Sequence[int]) -> Iterator[tuple[SeriesEngine, list[Event]]]:
        """Run all bars that closed by each of some moments, oldest first, those of coarser timeframes too.

        Give the engine of the requested timeframe as it is then, and all of its events.
        """
        pipeline = self.fresh()
        engine, said = self._lane(pipeline).engine, []
        seen = 0
        for moment in moments:
            stop = int(np.searchsorted(self.base.close_time, moment, side="right"))
            for lane, own in chain(pipeline.made(self.base[seen:stop]), pipeline.closed_by(moment)):
                said += [event for event in lane.engine.events(own) if lane.engine is engine]
            seen = stop
            yield engine, said


def is_day(at: str) -> bool:
    """Say whether ``--at`` names a day, not a time."""
    return len(at) == len("2024-03-18")


def parse_moment(text: str, tz: str, option: str = "--at", *, days: int = 0) -> int:
    """Read the value of ``option``: a date or a time, in the given zone if it names none; nanoseconds since 1970 UTC.

    ``days`` is how many days to add, by the clocks of that zone.
    """
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise UsageError(
            f"{option} {text}: write a date such as 2024-03-18 or a time such as 2024-03-18T15:30"
        ) from None
    if moment.tzinfo is None:
        try:
            zone = zone_named(tz)
        except ValueError as problem:
            raise UsageError(f"--tz: {problem}") from None
        moment = (moment + timedelta(days=days)).replace(tzinfo=zone)
    return round(moment.astimezone(UTC).timestamp()) * SECOND


def bar_at(bars: Bars, moment: int, *, day: bool) -> int | None:
    """Find the bar that closed at the moment, else the one that opened or was open then; None if there is none.

    A bare date means the bar of that day, or, within the day, its first.
    """
    closed = int(np.searchsorted(bars.close_time, moment))
    if not day and closed < len(bars) and bars.close_time[closed] == moment:
        return closed
    opened = int(np.searchsorted(bars.open_time, moment, side="right")) - 1
    if opened >= 0 and bars.open_time[opened] <= moment < bars.close_time[opened]:
        return opened
    following = opened + 1
    if day and following < len(bars) and bars.open_time[following] < moment + DAY:
        return following
    return None


def _one_of(paths: Sequence[Path], reading: Reading, instrument: str | None) -> Recording:
    """Open the recording of an instrument, or the only one."""
    troubles = Troubles()
    found = list(recordings(paths, reading, on_trouble=troubles.add))
    troubles.end(nothing_read=not found)
    names = plain(", ".join(recording.symbol for recording in found), NAMES_SHOWN)
    if instrument is None and len(found) > 1:
        raise UsageError(f"the files hold several instruments ({names}); say which with --instrument")
    for recording in found:
        if instrument in {None, recording.symbol}:
            return recording
    raise UsageError(f"no instrument {instrument} in the files; they have {names}")


def _with_coarser(reading: Reading, symbol: str) -> Reading:
    """Follow also the coarser timeframes of the configuration, by which a station judges the one asked for."""
    known, asked = reading.settings, reading.timeframes
    if known is None or symbol not in known.instruments or not asked:
        return reading
    followed = known.setting_of(symbol, "timeframes") or ()
    coarser = [each for each in followed if Timeframe.named(each) > Timeframe.named(asked[0])]
    return replace(reading, timeframes=(*asked, *coarser))


def _no_bar(bars: Bars, at: str, tally: Tally) -> str:
    symbol = plain(tally.symbol)
    if not len(bars):
        return f"{tally.source} has no complete bar of {symbol}"
    first, last = (
        datetime.fromtimestamp(int(time) // SECOND, UTC).strftime("%Y-%m-%dT%H:%MZ")
        for time in (bars.open_time[0], bars.close_time[-1])
    )
    gaps = "with gaps where it did not trade"
    if tally.refused:
        gaps += f" or rows were refused ({', '.join(sorted(tally.refused))})"
    return f"{symbol} has no bar at {at}; its bars run from {first} to {last}, {gaps}"
