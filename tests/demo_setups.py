"""The setups of the demo feed, found by the engine, with the bars around them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

import demo_feed
from adapters.feeds.recorded import RecordedFeed
from scanner.configuration.model import settings
from scanner.trade.size import Account
from tests.laws import all_setups

if TYPE_CHECKING:
    from scanner.analysis.rules import Rules
    from scanner.events import Event, Kind
    from scanner.market.bars import Bars
    from scanner.market.guard import Checked
    from scanner.replays.replay import Recording
    from scanner.trade.rulebook import Rulebook

FOLDER = Path(demo_feed.__file__).parent
ENOUGH = 400
"""Bars before a setup from which its chart is drawn."""


@dataclass(frozen=True)
class Replayed:
    """An instrument of the demo feed: its bars as the guard lets them through, and all of their events."""

    checked: Checked
    events: list[Event]
    rules: Rules
    timeframe: str

    @property
    def bars(self) -> Bars:
        return self.checked.bars

    @property
    def setups(self) -> list[Event]:
        """Those on the timeframe of the bars."""
        return self._of_kind("setup.qualified")

    @property
    def set_aside(self) -> list[Event]:
        return self._of_kind("setup.set_aside")

    def _of_kind(self, kind: Kind) -> list[Event]:
        return [event for event in self.events if event.kind == kind and event.data["timeframe"] == self.timeframe]

    def before(self, event: Event, after: int = 0) -> Bars:
        """Give the bars up to an event, and some after it."""
        end = int(np.searchsorted(self.bars.close_time, event.time)) + 1
        return self.bars[max(end - ENOUGH, 0) : end + after]


@cache
def replayed(folder: Path = FOLDER) -> dict[str, Replayed]:
    """Replay every instrument of the demo feed with the setups that are watched by default."""
    return {recording.symbol: _replay(recording) for recording in RecordedFeed.recordings([folder])}


@cache
def with_every_setup(symbol: str = "TERNFERRY", folder: Path = FOLDER) -> Replayed:
    """Replay one instrument with every setup there is."""
    (recording,) = RecordedFeed.recordings([folder / f"{symbol}.parquet"])
    return _replay(recording, all_setups())


def _replay(recording: Recording, rulebook: Rulebook | None = None) -> Replayed:
    watched = settings.load(FOLDER / "instruments.toml").of(recording.symbol)
    account = Account(equity=Decimal(50_000), currency="XTS", fx={"EUR": Decimal("1.25")})
    pipeline = replace(watched, rulebook=rulebook or watched.rulebook).inputs(account).pipeline()
    (raw,) = recording.bars
    checked = pipeline.check(raw)
    return Replayed(checked, list(pipeline.events(checked.bars)), watched.rules, watched.base.name)
