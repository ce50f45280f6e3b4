"""Compiled code that the first bar would wait for, made or loaded beforehand."""

from __future__ import annotations

import os
import signal
import sys
from contextlib import suppress
from decimal import Decimal
from functools import partial
from multiprocessing import get_context
from threading import active_count
from typing import TYPE_CHECKING, Any

import numpy as np

from scanner.analysis.fits import fits_at, weighed_alone
from scanner.analysis.indicators import kernel, spikes
from scanner.analysis.places.around import look_around
from scanner.analysis.pool import FEW
from scanner.clocks import MINUTE
from scanner.compiling import is_kept
from scanner.cycles import no_search_for_cycles
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
    from collections.abc import Callable, Iterable, Sequence

    from scanner.trade.rulebook import Rulebook

NO_ROWS = np.zeros(0, dtype=np.int64)
NO_SPOTS = np.zeros((0, 3), dtype=np.int64)
NO_MARKS = np.zeros(0, dtype=np.uint8)


class Ready:
    """A series of a rulebook with enough bars, and the pieces of work that its next bar may need."""

    def __init__(self, rulebook: Rulebook) -> None:
        self.instrument = Instrument("", PriceSteps.fixed(Decimal(1)))
        self.timetable = Timetable(calendar_named("none", "UTC"), Timeframe.named("1m"))
        self.rulebook = rulebook
        self.pool = rulebook.pool(self.timetable, FEW)
        self.engine = SeriesEngine(self.instrument, self.timetable, rulebook, pool=self.pool)

    def bars(self) -> None:
        """Check bars and take them in, many at once and one by one."""
        count = self.rulebook.rules.warm_up + 1
        opens, price = MINUTE * np.arange(count), np.ones(count)
        bars = Bars(opens, opens + MINUTE, *[price] * 5)
        Guard(self.timetable).check(RawBars(opens, price, price, price, price, price, opens, ""))
        self.engine.push(bars[:-1])
        self.engine.push(bars[-1:])

    def judging(self, setups: int = 0) -> None:
        """Judge no bar at all, of the first ``setups`` of the rulebook."""
        fits = fits_at(self.pool, [(which, NO_SPOTS) for which in range(setups)])
        begun_of(weigh(fits, [self.engine.case()], fits.which, fits.standing))

    def following(self) -> None:
        """Follow no setup over no bar."""
        follower = Follower(self.engine.series, self.instrument, self.rulebook, self.timetable)
        advance([follower], np.zeros(1, dtype=np.int64), [NOTHING])

    def parts(self) -> list[Callable[[], object]]:
        """Give pieces of work that share hardly any compiled code, those that compile longest first."""
        with_setups = [*self.pool.finds, *self.pool.ahead]
        nowhere = (self.pool.columns, NO_ROWS, NO_ROWS, NO_ROWS)
        finding = [partial(find, *nowhere, self.pool.numbers[which], NO_MARKS, NO_SPOTS) for which, find in with_setups]
        weighing = [partial(weighed_alone, self.pool, which, NO_SPOTS) for which in range(len(self.pool.setups))]
        return [self.judging, self._bars_alone, *finding, self.following, *weighing]

    def _bars_alone(self) -> None:
        with self.pool.without_setups():
            self.bars()


def make_ready(rulebooks: Iterable[Rulebook]) -> None:
    """Compile, or load from disk, the code that the first bar would otherwise wait for."""
    with no_search_for_cycles():
        for rulebook in rulebooks:
            ready = Ready(rulebook)
            if needs_compiling(rulebook):
                _on_all_cores(ready.parts())
            ready.bars()  # which looks for setups at the last bar, since the series is warm then
            ready.judging(len(rulebook.setups))
            ready.following()


def _on_all_cores(parts: Sequence[Callable[[], object]]) -> None:
    """Compile on all cores; what copies of this process compile is loaded from disk afterwards.

    Does nothing where a process may not be copied: on other systems, or if there are threads, which a copy would lack.
    """
    if sys.platform != "linux" or active_count() > 1:
        return
    count = min(len(os.sched_getaffinity(0)), len(parts))
    copies = [get_context("fork").Process(target=_beside, args=(parts[k::count],)) for k in range(1, count)]
    for each in copies:
        each.start()
    try:
        for part in parts[::count]:
            part()
        for each in copies:
            each.join()
    finally:
        for each in copies:
            each.kill()


def _beside(parts: Sequence[Callable[[], object]]) -> None:
    """Compile some parts in a copy; what fails here fails in the first process as well, which reports it."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    with suppress(Exception):
        for part in parts:
            part()


def needs_compiling(rulebook: Rulebook) -> bool:
    """Say whether the first bar must wait for the compiler, since no compiled code is kept on this machine."""
    return not all(map(is_kept, compiled_for(rulebook)))


def compiled_for(rulebook: Rulebook) -> list[Any]:
    """Give the compiled functions that bars go through; those that these call are not listed."""
    needed = [kernel.advance, spikes.find, look_around, levels.plan, around.look, steps.advance]
    needed += [each for chosen in rulebook.setups for each in (chosen.setup.find, chosen.setup.weigh)]
    needed += [chosen.setup.forming.find for chosen in rulebook.setups if chosen.forming and chosen.setup.forming]
    return needed
