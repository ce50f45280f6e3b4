"""Compiled code that the first bar would wait for, made or loaded beforehand."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING

import numpy as np

from scanner.analysis.fits import fits_at
from scanner.analysis.indicators import kernel, spikes
from scanner.analysis.places.around import look_around
from scanner.analysis.pool import FEW, Pool
from scanner.compiling import is_kept
from scanner.engine.series_engine import SeriesEngine
from scanner.follow import steps
from scanner.follow.begun import begun_of
from scanner.follow.follower import Follower
from scanner.follow.stories import NOTHING, advance
from scanner.judgement import weigh
from scanner.market.bars import Bars, RawBars
from scanner.market.guard import Guard
from scanner.market.instruments import Instrument
from scanner.market.price_steps import PriceSteps
from scanner.market.sessions.calendars import calendar_named
from scanner.market.sessions.timeframes import Timeframe
from scanner.market.sessions.timetables import Timetable
from scanner.trade import around, levels

if TYPE_CHECKING:
    from collections.abc import Iterable

    from scanner.trade.rulebook import Rulebook

MINUTE = 60 * 1_000_000_000


def make_ready(rulebooks: Iterable[Rulebook]) -> None:
    """Compile, or load from disk, the code that the first bar would otherwise wait for."""
    timetable = Timetable(calendar_named("none", "UTC"), Timeframe.named("1m"))
    for rulebook in rulebooks:
        instrument = Instrument("", PriceSteps.fixed(Decimal(1)))
        pool = Pool(rulebook.rules, rulebook.setups, timetable, FEW)
        engine = SeriesEngine(instrument, timetable, rulebook, pool=pool)
        opens, price = MINUTE * np.arange(rulebook.rules.warm_up + 1), np.ones(rulebook.rules.warm_up + 1)
        bars = Bars(opens, opens + MINUTE, *[price] * 5)
        Guard(timetable).check(RawBars(opens, price, price, price, price, price, opens, ""))
        engine.push(bars[:-1])  # setups are sought only once a series is warm, and live bars come one by one
        engine.push(bars[-1:])
        nothing = [(which, np.zeros((0, 3), dtype=np.int64)) for which in range(len(rulebook.setups))]
        fits = fits_at(pool, nothing)
        begun_of(weigh(fits, [engine.case()], fits.which, fits.standing))
        advance([Follower(engine.series, instrument, rulebook, timetable)], np.zeros(1, dtype=np.int64), [NOTHING])


def needs_compiling(rulebook: Rulebook) -> bool:
    """Say whether the first bar must wait for the compiler, since no compiled code is kept on this machine."""
    needed = [kernel.advance, spikes.find, look_around, levels.plan, around.look, steps.advance]
    needed += [each for chosen in rulebook.setups for each in (chosen.setup.find, chosen.setup.weigh)]
    needed += [chosen.setup.forming.find for chosen in rulebook.setups if chosen.forming and chosen.setup.forming]
    return not all(map(is_kept, needed))
