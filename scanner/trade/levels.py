"""The numbers of plans, in compiled code: entries, stops, objectives, obstacles and room of many setups at once.

Prices are counted in units, the finest decimal of the instrument's price steps: as whole numbers they are exact, and a
level lies on the grid or it does not.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

from scanner.analysis.columns import ATR, CLOSE, FAST_AVERAGE, SLOW_AVERAGE
from scanner.analysis.rules import TIE
from scanner.compiling import compiled

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from scanner.market.price_steps import PriceSteps

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]

STYLES = 3
"""Entry styles: early, break and average, in this order."""
GOALS = 3
"""Objectives of each, in multiples of its risk: 1, 2 and 3."""

STOP = 0
VOID_EARLY, VOID_BREAK = 1, 2
"""The furthest opens at which these entries hold."""
BEYOND_FAST, BEYOND_SLOW = 3, 4
"""1 if the close is beyond the average on the setup's side, else 0."""
PRICE = 5
"""From here on a column for each style; NaN if it has no price."""
RISK = PRICE + STYLES
"""NaN if the stop does not lie beyond the price."""
OBSTACLE = RISK + STYLES
"""The nearest one beyond the entry; NaN if there is none."""
BROKEN = OBSTACLE + STYLES
"""Number of obstacles that the entry breaks."""
ROOM = BROKEN + STYLES
"""From the entry to the obstacle in R, to hundredths; NaN without an obstacle or a risk."""
GOAL = ROOM + STYLES
"""GOALS columns for each style."""
COLUMNS = GOAL + STYLES * GOALS
"""Number of columns of a plan; prices and risks are in units."""


@dataclass(frozen=True, slots=True, eq=False)
class Grid:
    """Price steps for compiled code.

    ``bands`` are lower bounds (points) and steps (units), ``units`` is the number of units in a point, and ``lowest``
    the step of the lowest band in units.
    """

    steps: PriceSteps
    bands: Floats
    units: float
    decimals: int
    lowest: float

    def steps_at(self, prices: Floats) -> Floats:
        """Give the steps that apply at prices, both in points."""
        bands = np.searchsorted(self.bands[0], np.abs(prices), side="right") - 1
        return np.asarray(self.bands[1, bands] / self.units)

    def price(self, units: float) -> Decimal:
        """Give a price on the grid as an exact decimal."""
        if len(self.steps.steps) == 1:
            return int(units / self.lowest) * self.steps.steps[0]
        return self.steps.nearest(Decimal(units).scaleb(-self.decimals))


def grid_of(steps: PriceSteps) -> Grid:
    """Give the grid of price steps. Equal steps that are written with more digits, 0.20 and 0.2, have their own."""
    return _grid(steps, tuple(map(str, steps.steps)))


@lru_cache(1_024)
def _grid(steps: PriceSteps, written: tuple[str, ...]) -> Grid:
    del written  # it only tells equal steps apart
    decimals = max(0, *(-int(step.as_tuple().exponent) for step in steps.steps))
    units = [float(step.scaleb(decimals)) for step in steps.steps]
    return Grid(steps, np.array([list(map(float, steps.bounds)), units]), float(10**decimals), decimals, units[0])


@lru_cache(64)
def together(grids: tuple[Grid, ...]) -> tuple[Floats, Floats]:
    """Give the bands of several grids (grids × 2 × most bands; no price reaches those too many), and their units."""
    most = max((grid.bands.shape[1] for grid in grids), default=1)
    bands = np.full((len(grids), 2, most), np.inf)
    for own, grid in zip(bands, grids, strict=True):
        own[:, : grid.bands.shape[1]] = grid.bands
    return bands, np.array([grid.units for grid in grids])


@compiled
def step_at(price: float, bands: Floats) -> float:
    """Give the step that applies at a price (points), in units."""
    band = 0
    while band + 1 < bands.shape[1] and bands[0, band + 1] <= abs(price):
        band += 1
    return float(bands[1, band])


@compiled
def on_step(price: float, direction: float, close: float, bands: Floats, units: float) -> float:
    """Round a price (points) up or down to a step; a hair off a step counts as on it, as averages are binary."""
    step = step_at(price, bands)
    lots = price * units / step
    nearest = np.floor(abs(lots) + 0.5) * np.sign(lots)
    if abs(lots - nearest) * step <= TIE * max(abs(close), abs(price)) * units:
        return float(nearest * step)
    return float((np.ceil(lots) if direction > 0 else np.floor(lots)) * step)


@compiled
def stop_behind(
    base: float, atr: float, sign: float, close: float, margin: float, bands: Floats, units: float
) -> float:
    """Give the stop behind a base, in units, ``margin`` of an ATR or a step away and rounded away from the entry.

    ``close`` is that of its bar.
    """
    away = max(step_at(base, bands) / units, margin * atr)
    return on_step(base - sign * away, -sign, close, bands, units)


@compiled
def hundredths(part: float, whole: float) -> float:
    """Divide whole numbers, and round to hundredths, half to even."""
    found = np.floor(100.0 * part / whole)
    rest = 2.0 * (100.0 * part - found * whole)
    if rest > whole or (rest == whole and found % 2.0 != 0.0):
        found += 1.0
    return float(found / 100.0)


@compiled
def entry(series: Floats, t: int, sign: float, style: int, trigger: float, bands: Floats, units: float) -> float:
    """Give the price of an entry at bar t, in units; NaN if there is no such entry.

    A break entry must beat ``trigger`` (points).
    """
    close, fast = series[CLOSE, t], series[FAST_AVERAGE, t]
    if style == 0:
        return on_step(close, sign, close, bands, units)
    if style == 1:
        return on_step(trigger + sign * step_at(trigger, bands) / units, sign, close, bands, units)
    return np.nan if sign * (close - fast) > TIE * abs(close) else on_step(fast, sign, close, bands, units)


@compiled
def plan(
    columns: Floats,
    spots: Integers,
    of: Integers,
    levels: NDArray[Any],
    obstacles: Floats,
    counts: Integers,
    rules_of_one: NDArray[Any],
    grids: tuple[Floats, Floats],
    out: Floats,
) -> None:
    """Plan a setup at each of ``spots`` (row of its series, bar and sign): a row of ``out`` (spots × COLUMNS).

    ``levels`` are LEVELS records, ``obstacles`` (points) those ahead of the close, nearest first, and ``counts``
    their numbers. The prices of a spot are on the grid number ``of`` among ``grids``; see ``together``.
    """
    rules = rules_of_one[0]
    for k in range(len(spots)):
        series, t, sign = columns[spots[k, 0]], spots[k, 1], float(spots[k, 2])
        level, found, bands, units = levels[k], out[k], grids[0][of[k]], grids[1][of[k]]
        close, atr, tie = series[CLOSE, t], series[ATR, t], TIE * abs(series[CLOSE, t])
        found[:] = np.nan
        stop = stop_behind(level.base, atr, sign, close, rules.stop_margin, bands, units)
        found[STOP] = stop
        found[BEYOND_FAST] = sign * (close - series[FAST_AVERAGE, t]) > tie
        found[BEYOND_SLOW] = sign * (close - series[SLOW_AVERAGE, t]) > tie
        for style in range(STYLES):
            price = entry(series, t, sign, style, level.trigger, bands, units)
            found[PRICE + style], found[BROKEN + style] = price, 0.0
            if np.isnan(price):
                continue
            step, risk = step_at(price / units, bands), sign * (price - stop)
            for each in range(counts[k]):
                # Rounded toward the entry, which is on the grid: a step beyond stays a step beyond.
                at = on_step(obstacles[k, each], -sign, close, bands, units)
                if sign * (at - price) >= step:
                    found[OBSTACLE + style] = at
                    break
                found[BROKEN + style] += 1.0
            if not risk > 0.0:
                continue
            found[RISK + style] = risk
            if not np.isnan(found[OBSTACLE + style]):
                found[ROOM + style] = hundredths(sign * (found[OBSTACLE + style] - price), risk)
            for goal in range(GOALS):
                wanted = price + sign * (goal + 1.0) * risk
                step = step_at(wanted / units, bands)
                lots = np.floor(wanted / step) if sign > 0 else np.ceil(wanted / step)
                found[GOAL + style * GOALS + goal] = lots * step
        gap = sign * rules.gap_limit * atr
        found[VOID_EARLY] = on_step(close + gap, -sign, close, bands, units)
        found[VOID_BREAK] = on_step(found[PRICE + 1] / units + gap, -sign, close, bands, units)
