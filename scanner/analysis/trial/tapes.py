"""Invented tapes on which a setup is tried: windows as setups read them, with the kernel's indicators."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from scanner.analysis.columns import (
    CLOSE,
    COLUMNS,
    CROSS,
    EXPONENTIAL_AVERAGE,
    FAST_AVERAGE,
    HIGH,
    LOW,
    OPEN,
    SESSION_HIGH,
    SESSION_LOW,
    SLOW_AVERAGE,
)
from scanner.analysis.pool import Pool
from scanner.clocks import HOUR, SECOND
from scanner.market.bars import Bars
from scanner.market.sessions.calendars import calendar_named
from scanner.market.sessions.timeframes import Timeframe
from scanner.market.sessions.timetables import Timetable

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from scanner.analysis.rules import Rules

    Floats = NDArray[np.float64]

WALK, MIRRORED, STILL, STILL_MIRRORED = range(4)
"""Which tape is which: on a walk everything can be measured; on the still one bars do not move or lack volume."""
REFLECTION_OF = {WALK: MIRRORED, STILL: STILL_MIRRORED}
WARM_BARS = 1_500
"""Bars of each tape after the warm-up."""
START, UNIT, TICK = 500.0, 1.0, 0.01
MONDAY = 1_704_067_200 * SECOND
"""The first of January 2024, an arbitrary Monday."""


def tapes(rules: Rules) -> Floats:
    """Give four windows (tapes × COLUMNS × bars), the same ones every time."""
    count = rules.warm_up + WARM_BARS
    walk, still = (_columns(_walk(seed, count, still=still), rules) for seed, still in ((1, False), (2, True)))
    return np.stack([walk, mirrored(walk), still, mirrored(still)])


def mirrored(columns: Floats) -> Floats:
    """Reflect a window at zero: a long setup in one is a short one in the other, to the last digit."""
    found = columns.copy()
    for column in (OPEN, CLOSE, FAST_AVERAGE, SLOW_AVERAGE, EXPONENTIAL_AVERAGE, CROSS):
        found[column] = -columns[column]
    for one, other in ((HIGH, LOW), (SESSION_HIGH, SESSION_LOW)):
        found[one], found[other] = -columns[other], -columns[one]
    return found


def _walk(seed: int, count: int, *, still: bool) -> Floats:
    """Invent open, high, low, close and volume (5 × bars): legs up and down, with wide, narrow and hesitant bars."""
    random = np.random.default_rng(seed)
    legs = random.choice([-1.0, -0.4, 0.0, 0.4, 1.0], count)
    drift = np.repeat(legs, random.integers(3, 25, count))[:count]
    bodies = (
        UNIT * (0.5 * drift + random.normal(0, 0.6, count)) * random.choice([0.05, 1.0, 1.8], count, p=[0.2, 0.6, 0.2])
    )
    gaps = random.choice([0.0, 0.1 * UNIT, -0.1 * UNIT], count, p=[0.6, 0.2, 0.2])
    wicks = np.abs(random.normal(0, 0.35 * UNIT, (2, count))) * random.choice(
        [0.2, 1.0, 3.0], (2, count), p=[0.3, 0.5, 0.2]
    )
    volumes = random.integers(100, 10_000, count).astype(np.float64)
    if still:
        standing = random.choice([True, False], count, p=[0.1, 0.9])
        standing[count // 2 : count // 2 + 40] = True
        bodies[standing], gaps[standing], wicks[:, standing] = 0.0, 0.0, 0.0
        volumes[standing] = 0.0
        volumes[3 * count // 4 :] = np.nan
    # Counted in ticks, so that equal prices are common.
    steps, jumps, reach = (np.round(each / TICK) for each in (bodies, gaps, wicks))
    if not still:
        steps[steps == 0] = 1.0
    closes = round(START / TICK) + np.cumsum(steps + jumps)
    opens = closes - steps
    highs, lows = np.maximum(opens, closes) + reach[0], np.minimum(opens, closes) - reach[1]
    return np.array([*(np.round(each * TICK, 2) for each in (opens, highs, lows, closes)), volumes])


def _columns(prices: Floats, rules: Rules) -> Floats:
    count = prices.shape[1]
    opens = MONDAY + HOUR * np.arange(count, dtype=np.int64)
    timetable = Timetable(calendar_named("none", "UTC"), Timeframe.named("1h"))
    pool = Pool(rules, (), timetable, count)
    row = pool.add()
    for _ in pool.take(np.array([row]), np.array([count]), Bars(opens, opens + HOUR, *prices)):
        pass  # there is no setup to stop at, and a jump is taken like any other bar
    last = int(pool.used[row])
    return pool.columns[row, :COLUMNS, last - count : last].copy()
