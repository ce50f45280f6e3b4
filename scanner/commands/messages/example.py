"""An example of a setup: found in the invented demo feed, marked as a test, and closed just now."""

from __future__ import annotations

from dataclasses import dataclass, replace
from importlib.resources import as_file, files
from typing import TYPE_CHECKING

from scanner.commands.recorded.demo import ACCOUNT
from scanner.configuration.model import settings
from scanner.events import EXAMPLE_SOURCE, Event, event_id, rfc3339
from scanner.market.bars import Bars
from scanner.market.sessions.timeframes import Timeframe
from scanner.replays.recordings import Reading, recordings
from scanner.wording.times import parse_time

if TYPE_CHECKING:
    from scanner.analysis.rules import Rules

NAME = "TEST — invented"
"""The name of the example's instrument, so that every sink shows it first."""
WARNING = "this is a test message; everything in it is invented, and there is nothing to act on"
OF = "WHELKCHIT"
"""An instrument that trades around the clock, so that any moment is fine."""


@dataclass(frozen=True)
class Example:
    """The event, with the bars for its chart."""

    event: Event
    bars: Bars
    rules: Rules


def example(now: int) -> Example:
    """Make it, as of ``now`` (nanoseconds since 1970 UTC)."""
    with as_file(files("demo_feed")) as folder:
        watched = settings.load(folder / "instruments.toml").of(OF)
        (recording,) = recordings([folder / f"{OF}.parquet"], Reading())
        pipeline = replace(watched, timeframes=(watched.base,)).inputs(ACCOUNT).pipeline()
        bars = Bars.joined([pipeline.check(raw).bars for raw in recording.bars])
        found = next(event for event in pipeline.events(bars) if event.kind == "setup.qualified")
    length = Timeframe.named(found.data["timeframe"]).nanoseconds
    ago = now // length * length - found.time
    moved = replace(bars, open_time=bars.open_time + ago, close_time=bars.close_time + ago)
    return Example(_marked(found, ago), moved, watched.rules)


def _marked(found: Event, ago: int) -> Event:
    close = found.time + ago
    data = {
        **found.data,
        **{name: rfc3339(parse_time(found.data[name]) + ago) for name in ("bar_open", "bar_close", "valid_until")},
        "instrument": NAME,
        "warnings": [WARNING, *found.data["warnings"]],
    }
    name = event_id("example", str(close))
    subject = f"{NAME}/{data['timeframe']}"
    return replace(found, id=name, thread=name, time=close, subject=subject, source=EXAMPLE_SOURCE, data=data)
