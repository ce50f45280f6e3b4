"""Prices as a market might have made them: trends and ranges, pullbacks, quiet and loud stretches, gaps.

Only uniform random numbers are drawn, so that a seed gives the same market wherever it is run.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp
from typing import TYPE_CHECKING

import numpy as np

from demo_feed.rule_check import Tape

if TYPE_CHECKING:
    from numpy.random import Generator
    from numpy.typing import NDArray

    from demo_feed.trading_times import Times

    Floats = NDArray[np.float64]

STEPS_IN_A_BAR = 16
"""Moves of which a bar is made; its high and low are the extremes on the way."""

FLUTTER = 0.17
"""How often a bar opens a step above the last close, and how often a step below."""

UNIFORM_DEVIATION = 12**-0.5
NO_VOLUME_BELOW = 0.5


@dataclass(frozen=True, slots=True)
class Character:
    """How an instrument behaves. ``price`` is where it begins and what it is drawn back to.

    ``bar_deviation`` is the usual deviation of a bar's move and ``gap`` that of a move between sessions, in bars'
    deviations; as parts of the price, or of ``scale`` where the moves do not grow with the price (then prices may
    fall below zero). ``volume`` is the usual volume of a bar, 0 for none, in lots of ``volume_lot``.
    """

    price: float
    bar_deviation: float
    gap: float
    volume: float
    volume_lot: int = 1
    scale: float = 0.0
    pull: float = 0.8
    trend: float = 0.11
    day_shape: float = 0.35


def _bell(rng: Generator, count: int) -> Floats:
    """Draw numbers of mean 0 and deviation 1, bell-shaped: sums of twelve uniform ones."""
    drawn: Floats = rng.random((count, 12)).sum(axis=1) - 6.0
    return drawn


def _volatility(rng: Generator, times: Times, character: Character) -> Floats:
    """Give each bar's deviation as a multiple of the usual: slow and fast waves, and the shape of the day."""
    count = len(times)
    days = int(times.day[-1]) + 1
    slow, fast = np.empty(days), np.empty(count)
    level = 0.0
    for number, shock in enumerate(_bell(rng, days).tolist()):
        level += -level / 25 + 0.075 * shock
        slow[number] = level
    level = 0.0
    for number, shock in enumerate(_bell(rng, count).tolist()):
        level += -level / 20 + 0.07 * shock
        fast[number] = level
    first = np.flatnonzero(np.diff(times.day, prepend=-1))
    length = np.diff(np.append(first, count))
    place = (np.arange(count) - np.repeat(first, length) + 0.5) / np.repeat(length, length)
    day = 1 + character.day_shape * (12 * (place - 0.5) ** 2 - 1)
    # Neighbouring bars differ as well: most are calm, a few run far.
    volatility: Floats = np.exp(slow[times.day] + fast + 0.5 * _bell(rng, count)) * day
    return volatility / float(np.median(volatility))


def _drift(rng: Generator, count: int, trend: float) -> Floats:
    """Give each bar's drift in deviations: long spells up, down or sideways, made of legs and pullbacks."""
    drift = np.zeros(count)
    start = 0
    while start < count:
        spell = start + int(rng.integers(250, 1_400))
        bias = (-1.0, 0.0, 0.0, 1.0)[int(rng.integers(4))]
        side = 1.0 if rng.random() < 0.5 else -1.0  # noqa: PLR2004 - a coin
        while start < min(spell, count):
            with_it = side * bias >= 0
            length = int(rng.integers(10, 56)) if with_it else int(rng.integers(6, 24))
            strength = trend * (0.6 + rng.random()) * (1.0 if with_it else 1.2)
            drift[start : start + length] = side * strength
            start += length
            side = -side
    return drift


def walk(rng: Generator, times: Times, character: Character, step: float) -> Tape:
    """Let the market run; prices come as whole numbers of ``step``."""
    count = len(times)
    deviation = _volatility(rng, times, character)
    drift = _drift(rng, count, character.trend)
    moves = (rng.random((count, STEPS_IN_A_BAR)) - 0.5) / UNIFORM_DEVIATION / STEPS_IN_A_BAR**0.5
    paths = np.cumsum(moves + (drift / STEPS_IN_A_BAR)[:, None], axis=1)
    ends = [column.tolist() for column in (paths[:, -1], paths.max(axis=1), paths.min(axis=1))]
    gaps = _bell(rng, count) * character.gap * times.after_break
    flutter = (rng.random(count) < FLUTTER).astype(np.int64) - (rng.random(count) < FLUTTER)

    rows = np.empty((count, 4))
    usual, pull = character.bar_deviation, character.pull / count
    # ``at`` is the logarithm of the price, or the price itself in ``scale`` where moves do not grow with it.
    grows = character.scale == 0.0
    home = at = 0.0
    columns = zip(*ends, deviation.tolist(), gaps.tolist(), strict=True)
    for number, (end, high, low, loud, gap) in enumerate(columns):
        at += usual * gap - 12 * pull * (at - home)
        size = usual * loud
        points = (at, at + size * max(high, 0.0), at + size * min(low, 0.0), at + size * end)
        rows[number] = (
            [character.price * exp(point) for point in points]
            if grows
            else [character.price + character.scale * point for point in points]
        )
        at = points[3]
    whole = np.rint(rows / step).astype(np.int64)
    opens = whole[:, 0] + flutter * ~times.after_break
    return Tape(
        opens,
        np.maximum(whole[:, 1], opens),
        np.minimum(whole[:, 2], opens),
        whole[:, 3],
        _volume(rng, paths, deviation, character),
    )


def _volume(rng: Generator, paths: Floats, deviation: Floats, character: Character) -> Floats:
    """Draw volumes: more in loud bars and in bars that go far; NaN where the instrument has none."""
    if character.volume < NO_VOLUME_BELOW:
        return np.full(len(paths), np.nan)
    way = paths.max(axis=1) - paths.min(axis=1)
    amount = character.volume * deviation * (0.4 + 0.5 * way) * np.exp(0.35 * _bell(rng, len(paths)))
    lots: Floats = np.maximum(np.rint(amount / character.volume_lot), 1.0) * character.volume_lot
    return lots
