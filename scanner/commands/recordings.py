"""What the commands that read recorded files share: opening them, and knowing the instruments in them."""

from __future__ import annotations

from dataclasses import dataclass, field
from importlib.metadata import entry_points
from typing import TYPE_CHECKING, Any

import numpy as np

from scanner.analysis.rules import Rules
from scanner.market.calendars import calendar_named
from scanner.market.instruments import Instrument
from scanner.market.price_steps import PriceSteps, guess_step
from scanner.market.timeframes import Timeframe
from scanner.pipeline import Pipeline
from scanner.study.replay import ReplayError, base_timeframe
from scanner.trade.size import Account

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from decimal import Decimal
    from pathlib import Path

    from numpy.typing import NDArray

    from scanner.market.bars import RawBars
    from scanner.study.replay import Recording, Tally


@dataclass(frozen=True, slots=True)
class Reading:
    """How to read files, and what is known of the instruments in them beyond their bars."""

    tz: str = "UTC"
    stamp: str = "open"
    time_format: str | None = None
    calendar: str = "none"
    step: Decimal | None = None
    timeframes: Sequence[str] = ()
    rules: Rules = field(default_factory=Rules)
    account: Account = field(default_factory=Account)


def recordings(
    paths: Sequence[Path], reading: Reading, on_progress: Callable[[int, int], None] | None = None
) -> Iterator[Recording]:
    """Open files through the feed ``recorded``, found by name like any other feed."""
    (feed,) = entry_points(group="closewatch.feeds", name="recorded")
    source: Any = feed.load()
    opened: Iterator[Recording] = source.recordings(
        paths, tz=reading.tz, stamp=reading.stamp, time_format=reading.time_format, on_progress=on_progress
    )
    return opened


def first_prices(raw: RawBars, count: int) -> NDArray[np.float64]:
    """Give the readable prices of the first bars, from which a price step may be guessed."""
    prices: NDArray[np.float64] = np.concatenate(
        [raw.open[:count], raw.high[:count], raw.low[:count], raw.close[:count]]
    )
    return prices[np.isfinite(prices)]


def prepare(reading: Reading, recording: Recording, first: RawBars, tally: Tally) -> Pipeline:
    """Make the pipeline for one recording from its first rows and what the user said."""
    base = base_timeframe(first, recording)
    targets = [Timeframe.named(name) for name in reading.timeframes] or [base]
    step = reading.step
    if step is None:
        step = guess_step(first_prices(first, reading.rules.warm_up))
    tally.timeframes = tuple(target.name for target in targets)
    tally.step, tally.step_guessed = f"{step:f}", reading.step is None
    instrument = Instrument(recording.symbol, PriceSteps.fixed(step))
    try:
        return Pipeline(
            instrument,
            calendar_named(reading.calendar, reading.tz),
            base,
            targets,
            rules=reading.rules,
            account=reading.account,
        )
    except ValueError as problem:
        raise ReplayError(f"{recording.path}: {problem}") from problem
