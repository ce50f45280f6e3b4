"""The setups of the demo feed, found by the engine, with the bars around them."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

import demo_feed
from adapters.feeds.recorded import RecordedFeed
from scanner import settings
from scanner.pipeline import Pipeline
from scanner.trade.size import Account

if TYPE_CHECKING:
    from scanner.analysis.rules import Rules
    from scanner.events import Event
    from scanner.market.bars import Bars

FOLDER = Path(demo_feed.__file__).parent
ENOUGH = 400
"""Bars before a setup from which its chart is drawn."""


@dataclass(frozen=True)
class Replayed:
    """An instrument of the demo feed: its bars as the guard lets them through, and all that is said of them."""

    bars: Bars
    events: list[Event]
    rules: Rules

    @property
    def setups(self) -> list[Event]:
        return [event for event in self.events if event.kind == "setup.qualified"]

    def before(self, event: Event, after: int = 0) -> Bars:
        """Give the bars up to an event, and some after it."""
        end = int(np.searchsorted(self.bars.close_time, event.time)) + 1
        return self.bars[max(end - ENOUGH, 0) : end + after]


@cache
def replayed() -> dict[str, Replayed]:
    """Replay every instrument of the demo feed."""
    known = settings.load(FOLDER / "instruments.toml")
    account = Account(equity=Decimal(50_000), currency="XTS", fx={"EUR": Decimal("1.25")})
    found = {}
    for recording in RecordedFeed.recordings([FOLDER]):
        watched = known.of(recording.symbol)
        pipeline = Pipeline(
            watched.instrument, watched.calendar, watched.base, watched.timeframes, rules=watched.rules, account=account
        )
        (raw,) = recording.bars
        bars = pipeline.check(raw).bars
        found[recording.symbol] = Replayed(bars, list(pipeline.events(bars)), watched.rules)
    return found
