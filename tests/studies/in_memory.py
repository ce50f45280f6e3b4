"""Studies of bars in memory, in this process."""

from __future__ import annotations

from hashlib import sha256
from typing import TYPE_CHECKING

import numpy as np

from scanner.market.costs import Costs
from scanner.market.instruments import Instrument
from scanner.market.price_steps import PriceSteps, guess_step
from scanner.market.sessions.calendars import calendar_named
from scanner.market.sessions.timeframes import Timeframe
from scanner.pipeline import Inputs
from scanner.studies.stories.collecting import Asked, collect_together
from scanner.studies.tables import Gathered
from scanner.trade.rulebook import Rulebook
from scanner.trade.size import Account

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from decimal import Decimal

    from scanner.market.bars import Bars
    from scanner.studies.parts import Part
    from scanner.studies.schema import Study


def study_of_parts(parts: Iterable[Part], settings_mark: str = "", seed: int = 0) -> Study:
    """Give the study made of parts; their order changes nothing."""
    gathered = Gathered()
    for part in parts:
        gathered.add(part)
    return gathered.study(settings_mark, seed)


def collect(
    bars: Mapping[str, Bars],
    *,
    timeframe: str = "1d",
    rulebook: Rulebook | None = None,
    step: Decimal | None = None,
    costs: Costs | None = None,
    asked: Asked | None = None,
) -> Study:
    """Study bars in memory, by instrument, in this process: closed bars of one timeframe, without faults, oldest first.

    ``step`` is the price step, by default estimated from the first bars of each instrument; ``costs`` are those of a
    trade. ``asked`` says whether to add variants and controls, and gives the seed of the draws.
    """
    asked, book, of_bars = asked or Asked(), rulebook or Rulebook(), Timeframe.named(timeframe)
    given = []
    for symbol, own in bars.items():
        first = own[: book.rules.warm_up]
        prices = np.concatenate([first.open, first.high, first.low, first.close])
        steps = PriceSteps.fixed(guess_step(prices).step if step is None else step)
        instrument = Instrument(symbol, steps, costs=costs or Costs())
        given.append(Inputs(instrument, calendar_named("none"), of_bars, (of_bars,), book, Account()))
    parts = collect_together(given, [[own] for own in bars.values()], asked).parts()
    mark = sha256(book.told.encode()).hexdigest()[:32]
    return study_of_parts(parts, mark, asked.seed)
