"""Controls: bars drawn at random from the series of a setup, traded on the same side with the same risk in ATR."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from hashlib import sha256
from math import isnan
from typing import TYPE_CHECKING, Any

import numpy as np

from scanner.analysis.columns import ATR, CLOSE, CROSS, FAST_AVERAGE, HIGH, LOW, SLOW_AVERAGE
from scanner.analysis.door.setup import LEVELS
from scanner.analysis.rules import TIE
from scanner.follow.begun import begun
from scanner.trade import levels, plan
from scanner.trade.levels import grid_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from scanner.analysis.series import Series
    from scanner.engine import SeriesEngine
    from scanner.studies.schema import Source

FRESH = 10
"""The number of bars for which a cross of the MACD line counts as fresh."""

LONG_FRESH, SHORT_FRESH, ABOVE_SLOW, BELOW_SLOW, ABOVE_FAST, BELOW_FAST, CAN_BE_DRAWN = (1 << bit for bit in range(7))
"""Marks of a bar, a bit each; equal to an average is neither above nor below it. A bar on hold has none."""

AMONG = {"chance": 1, "chance_cross": 5}
"""Bars examined for each bar needed. About one in five has a fresh cross and the right side."""

MOST, FEWER, FEWEST = 20, 10, 4
MANY_SERIES, VERY_MANY_SERIES = 200, 1_000
MOST_OF_A_SERIES = 2_000


def draws_for(series: int) -> int:
    """Give the most bars to draw for each setup and source, by the number of series in a study.

    20; 10 for more than 200 series, and 4 for more than 1,000.
    """
    return MOST if series <= MANY_SERIES else FEWER if series <= VERY_MANY_SERIES else FEWEST


def for_each_setup(draws: int, setups: int) -> int:
    """Give the bars to draw for each setup of a series: ``draws``, but no more than 2,000 in all.

    There is at least one for each.
    """
    return max(1, min(draws, MOST_OF_A_SERIES // max(setups, 1)))


@dataclass(frozen=True, slots=True)
class Wanted:
    """A setup that needs controls: its planned risk, and the distance of its spoiler from its close, in ATR.

    ``spoiler`` is its LEVELS record; ``spoiler_atr`` is NaN if no price spoils it.
    """

    thread: str
    setup: str
    sign: int
    ride: bool
    spoiler: np.void
    risk_atr: float
    spoiler_atr: float


@dataclass(frozen=True, slots=True)
class Drawn:
    """A bar drawn for a setup, by when it closed."""

    id: str
    source: Source
    close_time: int
    setup: Wanted


def marks_of(series: Series, first: int, stop: int) -> NDArray[np.uint8]:
    """Mark the bars first…stop−1 of a series' window."""
    part = series.columns[:, first:stop]
    tie = TIE * np.abs(part[CLOSE])
    marks = np.full(stop - first, CAN_BE_DRAWN, dtype=np.uint8)
    for bit, holds in (
        (LONG_FRESH, (part[CROSS] > 0) & (part[CROSS] <= FRESH + 1)),
        (SHORT_FRESH, (part[CROSS] < 0) & (part[CROSS] >= -FRESH - 1)),
        (ABOVE_SLOW, part[CLOSE] - part[SLOW_AVERAGE] > tie),
        (BELOW_SLOW, part[CLOSE] - part[SLOW_AVERAGE] < -tie),
        (ABOVE_FAST, part[CLOSE] - part[FAST_AVERAGE] > tie),
        (BELOW_FAST, part[CLOSE] - part[FAST_AVERAGE] < -tie),
    ):
        marks |= holds.astype(np.uint8) * np.uint8(bit)
    return marks


def draw(
    setups: Sequence[Wanted], times: NDArray[np.int64], marks: NDArray[np.uint8], style: str, each: int, seed: str
) -> Iterator[Drawn]:
    """Draw ``each`` different bars for each setup and source, on average or fewer.

    ``times`` (closes) and ``marks`` are those of all bars of the series from the first that can be warm. Bars are drawn
    by number, from the seed, the setup and the number of bars; then only those that fit are kept. So no draw depends on
    a later bar. For an average entry only bars on the near side of the fast average fit.
    """
    for setup in setups:
        sign, ride = setup.sign, setup.ride
        fresh, beyond, past = (
            (LONG_FRESH, ABOVE_SLOW, ABOVE_FAST) if sign > 0 else (SHORT_FRESH, BELOW_SLOW, BELOW_FAST)
        )
        sources: tuple[Source, Source] = ("chance", "chance_cross")
        for source in sources:
            digest = sha256(f"{seed}\x1f{setup.thread}\x1f{source}".encode()).digest()
            rng = np.random.default_rng(np.frombuffer(digest, dtype=np.uint32))
            places = np.sort(rng.choice(len(marks), min(each * AMONG[source], len(marks)), replace=False))
            mark = marks[places]
            fits = mark & CAN_BE_DRAWN != 0
            if style == "average":
                fits &= mark & past == 0
            if source == "chance_cross":
                fits &= (mark & fresh != 0) & ((mark & beyond != 0) == ride)
            for number, place in zip(np.flatnonzero(fits).tolist(), places[fits].tolist(), strict=True):
                yield Drawn(f"{setup.thread}.{source}.{number}", source, int(times[place]), setup)


@dataclass(frozen=True, slots=True)
class Planned:
    """A control at a bar of the window, in real prices: see ``begun``."""

    drawn: Drawn
    index: int
    entry: float
    stop: float
    ride: bool
    beyond: float


def control_at(engine: SeriesEngine, index: int, drawn: Drawn) -> Planned | None:
    """Plan a control at a bar of the series' window, as for a setup there; None if it leaves no risk.

    A break entry must beat the bar's own extreme. The stop lies on the step at which the risk in ATR is nearest to the
    setup's. The control is spoiled before its entry as the setup is: by as many bars or closes, by the same average, or
    by a price equally far from the close in ATR.
    """
    columns, rules, setup = engine.series.columns, engine.rulebook.rules, drawn.setup
    grid, sign, bar = grid_of(engine.instrument.steps), setup.sign, columns[:, index]
    close, slow, atr = (float(bar[column]) for column in (CLOSE, SLOW_AVERAGE, ATR))
    trigger, style = float(bar[HIGH if sign > 0 else LOW]), plan.STYLES.index(rules.entry_style)
    units = levels.entry(columns, index, float(sign), style, trigger, grid.bands, grid.units)
    if isnan(units):
        return None
    entry = grid.price(units)
    stop = engine.instrument.steps.nearest(entry - sign * _decimal(setup.risk_atr * atr))
    if sign * (entry - stop) <= 0:
        return None
    ride = sign * (close - slow) > TIE * abs(close)
    return Planned(drawn, index, float(entry), float(stop), ride, close - sign * setup.spoiler_atr * atr)


def begun_controls(engine: SeriesEngine, planned: Sequence[Planned]) -> NDArray[Any]:
    """Give the records of controls; none has a trend line."""
    spoilers = np.array([each.drawn.setup.spoiler for each in planned], dtype=LEVELS)
    spoilers["beyond"] = [each.beyond for each in planned]
    spots = np.array([(each.index, each.drawn.setup.sign) for each in planned], dtype=np.int64)
    prices = np.array([(each.entry, each.stop, np.nan, 0.0) for each in planned]).T
    rides = np.array([each.ride for each in planned], dtype=np.bool_)
    return begun(engine.series, spots, np.ascontiguousarray(prices), rides, spoilers, grid_of(engine.instrument.steps))


def _decimal(price: float) -> Decimal:
    """Give the decimal that was written as this price."""
    return Decimal(repr(float(price)))
