"""``closewatch explain``: why there was a setup at a bar, or why there was none."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import numpy as np

from scanner.analysis import kernel
from scanner.commands import output
from scanner.commands.recordings import prepare, recordings
from scanner.commands.trouble import UsageError
from scanner.engine import BARS_JUDGED
from scanner.market.bars import Bars
from scanner.present import explain_report
from scanner.present.cautions import SHORT
from scanner.study.replay import Tally

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from scanner.commands.recordings import Reading
    from scanner.pipeline import Pipeline

NANOSECONDS = 1_000_000_000


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
    names = []
    for recording in recordings(paths, reading):
        names.append(recording.symbol)
        if instrument is not None and recording.symbol != instrument:
            continue
        pipeline, parts = None, []
        tally = Tally(recording.symbol, str(recording.path))
        for raw in recording.bars:
            if pipeline is None:
                pipeline = prepare(reading, recording, raw, tally)
            bars = pipeline.check(raw).bars
            aggregator = pipeline.lanes[0].aggregator
            parts.append(bars if aggregator is None else aggregator.push(bars))
        if pipeline is None:
            raise UsageError(f"{recording.path} has no bars of {recording.symbol}")
        return pipeline, Bars.joined(parts), tally
    raise UsageError(f"no instrument {instrument} in the files; there is {', '.join(names)}")


def run(paths: Sequence[Path], reading: Reading, at: str, instrument: str | None) -> None:
    """Explain one bar of one recording in both directions."""
    moment = parse_moment(at, reading.tz)
    output.announce_compiling(needed=kernel.needs_compiling())
    pipeline, bars, tally = _collect(paths, reading, instrument)
    index = bar_at(bars, moment, day=len(at) == len("2024-03-18"))
    if index is None:
        raise UsageError(_no_bar(bars, at, tally))
    engine = pipeline.lanes[0].engine
    for event in engine.events(bars[: index + 1]):
        if event.kind == "series.held":
            output.say(f"On hold since {event.data['bar_open']}: {event.data['reason']}.")
    output.say(*explain_report.bar(bars, index, tally, reading.tz))
    if index + 1 < BARS_JUDGED:
        output.say(f"Bar {index + 1} of the series: a setup needs {BARS_JUDGED} bars to look at.")
        return
    if not engine.series.warm:
        output.say(
            f"Not warm: {engine.series.count} of {engine.rules.warm_up} bars seen, so nothing is reported here, "
            "whatever the rules below say."
        )
    for sign in (1, -1):
        found = engine.judge(sign)
        if found is not None:
            output.say("", *explain_report.judgement(found))
    output.say("", SHORT)


def _no_bar(bars: Bars, at: str, tally: Tally) -> str:
    if not len(bars):
        return f"{tally.source} has no whole bar of {tally.symbol}"
    first, last = (
        datetime.fromtimestamp(int(time) // NANOSECONDS, UTC).strftime("%Y-%m-%dT%H:%MZ")
        for time in (bars.open_time[0], bars.close_time[-1])
    )
    return f"{tally.symbol} has no bar at {at}; its bars run from {first} to {last}, with gaps where it did not trade"
