"""What the commands about one bar of a recording share: reading it, and finding the bar that is asked about."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import numpy as np

from scanner.analysis import kernel
from scanner.commands import output
from scanner.commands.recordings import prepare, recordings
from scanner.commands.trouble import UsageError
from scanner.market.bars import Bars
from scanner.market.splits import adjust
from scanner.present.text import plain
from scanner.study.replay import Tally

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from scanner.commands.recordings import Reading
    from scanner.engine import SeriesEngine
    from scanner.pipeline import Pipeline

NANOSECONDS = 1_000_000_000
SHOWN, NAMES_SHOWN = 60, 400
"""Letters that are shown of the name of an instrument, and of the names of all."""


@dataclass(frozen=True, slots=True)
class OneBar:
    """A bar of a recording: all bars on its timeframe, its number among them, and an engine that has seen none."""

    engine: SeriesEngine
    bars: Bars
    index: int
    tally: Tally


def find(paths: Sequence[Path], reading: Reading, at: str, instrument: str | None) -> OneBar:
    """Read the one recording that is asked about, whole, and find the bar; UsageError where there is none."""
    moment = parse_moment(at, reading.tz)
    output.announce_compiling(needed=kernel.needs_compiling())
    pipeline, bars, tally = _collect(paths, reading, instrument)
    index = bar_at(bars, moment, day=len(at) == len("2024-03-18"))
    if index is None:
        raise UsageError(_no_bar(bars, at, tally))
    return OneBar(pipeline.lanes[0].engine, bars, index, tally)


def parse_moment(text: str, tz: str) -> int:
    """Read ``--at``: a date or a time, in the given zone where it names none; nanoseconds since 1970 UTC."""
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise UsageError(f"--at {text}: write a date such as 2024-03-18 or a time such as 2024-03-18T15:30") from None
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=ZoneInfo(tz))
    return round(moment.astimezone(UTC).timestamp()) * NANOSECONDS


def bar_at(bars: Bars, moment: int, *, day: bool) -> int | None:
    """Find the bar that closed at the moment, else the one that opened or was open then; None where there is none.

    A bare date means the bar of that day, or, within the day, its first.
    """
    closed = int(np.searchsorted(bars.close_time, moment))
    if not day and closed < len(bars) and bars.close_time[closed] == moment:
        return closed
    opened = int(np.searchsorted(bars.open_time, moment, side="right")) - 1
    if opened >= 0 and bars.open_time[opened] <= moment < bars.close_time[opened]:
        return opened
    following = opened + 1
    if day and following < len(bars) and bars.open_time[following] < moment + 86_400 * NANOSECONDS:
        return following
    return None


def _collect(paths: Sequence[Path], reading: Reading, instrument: str | None) -> tuple[Pipeline, Bars, Tally]:
    """Read the one recording that is asked about, whole, as bars of the timeframe asked about."""
    found = list(recordings(paths, reading))
    names = plain(", ".join(recording.symbol for recording in found), NAMES_SHOWN)
    if instrument is None and len(found) > 1:
        raise UsageError(f"the files hold several instruments ({names}); say which with --instrument")
    for recording in found:
        if instrument is not None and recording.symbol != instrument:
            continue
        pipeline, parts = None, []
        tally = Tally(recording.symbol, str(recording.path))
        for raw in recording.bars:
            if pipeline is None:
                pipeline = prepare(reading, recording, raw, tally)
            bars = adjust(pipeline.check(raw).bars, pipeline.adjustments)
            aggregator = pipeline.lanes[0].aggregator
            parts.append(bars if aggregator is None else aggregator.push(bars))
        if pipeline is None:
            raise UsageError(f"{recording.path} has no bars of {plain(recording.symbol, SHOWN)}")
        return pipeline, Bars.joined(parts), tally
    raise UsageError(f"no instrument {instrument} in the files; there is {names}")


def _no_bar(bars: Bars, at: str, tally: Tally) -> str:
    symbol = plain(tally.symbol, SHOWN)
    if not len(bars):
        return f"{tally.source} has no whole bar of {symbol}"
    first, last = (
        datetime.fromtimestamp(int(time) // NANOSECONDS, UTC).strftime("%Y-%m-%dT%H:%MZ")
        for time in (bars.open_time[0], bars.close_time[-1])
    )
    return f"{symbol} has no bar at {at}; its bars run from {first} to {last}, with gaps where it did not trade"
