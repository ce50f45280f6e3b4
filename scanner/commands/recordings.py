"""What the commands that read recorded files share: opening them, and knowing the instruments in them."""

from __future__ import annotations

from dataclasses import dataclass, field
from decimal import Decimal
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
    from pathlib import Path

    from numpy.typing import NDArray

    from scanner.market.bars import RawBars
    from scanner.settings import Settings
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
    settings: Settings | None = None
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
    """Make the pipeline for one recording; ReplayError in one sentence where what the user said does not fit it."""
    try:
        return _prepare(reading, recording, first, tally)
    except ValueError as problem:
        raise ReplayError(f"{recording.path}: {problem}") from problem


def _prepare(reading: Reading, recording: Recording, first: RawBars, tally: Tally) -> Pipeline:
    """Make the pipeline for one recording from its first rows and what the user said.

    An instrument of the configuration is taken as it stands there; of any other, what the options say.
    """
    base = base_timeframe(first, recording)
    named = [Timeframe.named(name) for name in reading.timeframes]
    known = reading.settings
    if known is not None and recording.symbol in known.instruments:
        watched = known.of(recording.symbol)
        instrument, calendar, rules, adjustments = (
            watched.instrument,
            watched.calendar,
            watched.rules,
            watched.adjustments,
        )
        targets = named or list(watched.timeframes)
        step = instrument.steps.at(Decimal(1))
    else:
        rules = reading.rules
        guessed = guess_step(first_prices(first, rules.warm_up))
        step = reading.step or guessed
        tally.step_guessed = reading.step is None
        instrument = Instrument(recording.symbol, PriceSteps.fixed(step))
        calendar, adjustments = calendar_named(reading.calendar, reading.tz), ()
        targets = named or [base]
    tally.timeframes, tally.step = tuple(target.name for target in targets), f"{step:f}"
    return Pipeline(instrument, calendar, base, targets, rules=rules, account=reading.account, adjustments=adjustments)
