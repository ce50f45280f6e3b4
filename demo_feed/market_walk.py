"""Prices as a market might have made them: trends with pullbacks, ranges that are left and revisited, quiet and loud.

Nothing here looks at the rules of any setup. Only uniform random numbers are drawn, so that a seed gives the same
market wherever it is run.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.random import Generator
    from numpy.typing import NDArray

    from demo_feed.exchange import Times

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]

STEPS_IN_A_BAR = 16
"""Moves of which a bar is made; its high and low are the extremes on the way."""

RANGE_OF_A_BAR = 1.6
"""About how far a bar of 16 moves reaches from its low to its high, in deviations."""

FLUTTER = 0.17
"""How often a bar opens a step above the last close, and how often a step below."""

UNIFORM_DEVIATION = 12**-0.5
NO_VOLUME_BELOW = 0.5
FAST, SLOW = 50, 200
"""Lengths of the averages at which pullbacks tend to end."""

PASSES = 0.4
"""How much of a move goes on beyond the price that it was heading for."""

MOST_BARS_OF_A_LEG = 90


@dataclass(frozen=True, slots=True)
class Tape:
    """Bars of one series in whole steps of price; ``volume`` is NaN where there is none."""

    open: Ints
    high: Ints
    low: Ints
    close: Ints
    volume: Floats

    def __len__(self) -> int:
        """Count the bars."""
        return len(self.close)

    @property
    def prices(self) -> tuple[Ints, Ints, Ints, Ints]:
        """Give open, high, low and close."""
        return self.open, self.high, self.low, self.close

    def kept(self, which: NDArray[np.bool_]) -> Tape:
        """Give some of the bars."""
        return Tape(self.open[which], self.high[which], self.low[which], self.close[which], self.volume[which])


@dataclass(frozen=True, slots=True)
class Character:
    """How an instrument behaves. ``price`` is where it begins, and what it does not stray from for good.

    ``bar_deviation`` is the usual deviation of a bar's move and ``gap`` that of a move between sessions, in bars'
    deviations; as parts of the price, or of ``scale`` where the moves do not grow with the price (then prices may
    fall below zero). ``volume`` is the usual volume of a bar, 0 for none, in lots of ``volume_lot``. ``day_shape``
    says how much louder a session is at both ends than at noon.
    """

    price: float
    bar_deviation: float
    gap: float
    volume: float
    volume_lot: int = 1
    scale: float = 0.0
    day_shape: float = 0.35


def _bell(rng: Generator, count: int) -> Floats:
    """Draw numbers of mean 0 and deviation 1, bell-shaped: sums of twelve uniform ones."""
    drawn: Floats = rng.random((count, 12)).sum(axis=1) - 6.0
    return drawn


def _wave(rng: Generator, count: int, bars_back: float, shock: float) -> Floats:
    """Draw numbers that wander around 0 and forget where they were after about so many."""
    wave, level = np.empty(count), 0.0
    for number, drawn in enumerate(_bell(rng, count).tolist()):
        level += -level / bars_back + shock * drawn
        wave[number] = level
    return wave


def _volatility(rng: Generator, times: Times, character: Character) -> tuple[Floats, Floats]:
    """Give each bar's deviation as a multiple of the usual, and what the crowd takes it for.

    It is made of slow and fast waves, the shape of the day, and the moods of single bars.
    """
    count = len(times)
    slow = _wave(rng, int(times.day[-1]) + 1, 25, 0.09)[times.day]
    fast = _wave(rng, count, 20, 0.06)
    first = np.flatnonzero(np.diff(times.day, prepend=-1))
    length = np.diff(np.append(first, count))
    place = (np.arange(count) - np.repeat(first, length) + 0.5) / np.repeat(length, length)
    day = 1 + character.day_shape * (12 * (place - 0.5) ** 2 - 1)
    felt = np.exp(slow + fast)
    # Neighbouring bars differ as well: most are calm, a few run far.
    volatility: Floats = felt * np.exp(0.4 * _bell(rng, count)) * day
    usual = float(np.median(volatility))
    return volatility / usual, felt / usual


class Crowd:
    """Decides where the market is heading: spells of trend and of range, made of legs, each on its way to a price.

    Prices are logarithms, or points where moves do not grow with the price. ``unit`` is about the range of a bar.
    """

    def __init__(self, rng: Generator, reach: float) -> None:
        """Begin at 0, from which the market does not stray much further than ``reach``."""
        self.rng, self.reach = rng, reach
        self.turns: list[tuple[int, float]] = [(0, 0.0)] * 4
        """Bars and prices at which the last legs ended, the newest last."""
        self.bias, self.legs_left, self.bounds = 0, 0, (0.0, 0.0)
        self.side, self.age, self.strength = 1, 0, 0.0
        self.target, self.slope, self.average = 0.0, 0.0, -1
        """Where the leg is heading: to a price that moves by ``slope`` a bar, or to an average (0 fast, 1 slow)."""

    def drift(self, bar: int, at: float, averages: tuple[float, float], unit: float) -> float:
        """Give the drift of the next bar in deviations."""
        self.age += 1
        self.target = averages[self.average] if self.average >= 0 else self.target + self.slope
        if self.side * (at - self.target) >= 0 or self.age > MOST_BARS_OF_A_LEG:
            self.turns = [*self.turns[1:], (bar, at)]
            self._next_leg(bar, at, averages, unit)
        # A leg begins with a push, and then takes its time.
        return self.side * self.strength * (1 + 1.5 * exp(-self.age / 6))

    def met(self, price: float) -> float:
        """Give where a move to ``price`` really ends: orders wait at the target, and little passes them."""
        beyond = self.side * (price - self.target)
        return price if beyond <= 0 else self.target + self.side * beyond * PASSES

    def _next_leg(self, bar: int, at: float, averages: tuple[float, float], unit: float) -> None:
        self.legs_left -= 1
        if self.legs_left < 0:
            self._next_spell(at, unit)
        self.age, self.slope, self.average, rng = 0, 0.0, -1, self.rng
        if self.bias == 0:
            self.side = -self.side
            beyond = rng.random() * 1.2 - 0.6
            self.target = self.bounds[self.side > 0] + self.side * beyond * unit
            self.strength = 0.16 + 0.2 * rng.random()
        elif self.side == self.bias:
            self.side = -self.side
            self._aim_pullback(bar, at, averages, unit)
            self.strength = 0.14 + 0.2 * rng.random()
        else:
            self.side = self.bias
            best = max(self.side * price for _, price in self.turns[-3:])
            self.target = self.side * max(best + (1 + 4 * rng.random()) * unit, self.side * at + 3 * unit)
            self.strength = 0.2 + 0.25 * rng.random()

    def _next_spell(self, at: float, unit: float) -> None:
        """Choose between up, down and sideways; what has come far is less likely to go on."""
        far = min(max(at / self.reach, -0.9), 0.9)
        drawn = self.rng.random() * 2.6
        self.bias = 1 if drawn < 1 - far else -1 if drawn < 2 else 0  # noqa: PLR2004 - three parts
        self.legs_left = int(self.rng.integers(6, 17))
        height, above = (5 + 7 * self.rng.random()) * unit, self.rng.random()
        self.bounds = at - (1 - above) * height, at + above * height
        self.side = -self.bias or self.side

    def _aim_pullback(self, bar: int, at: float, averages: tuple[float, float], unit: float) -> None:
        """Choose where a pullback is heading: an average, the line through the last ends, an old turn, or part way."""
        (older_bar, older), (_, broken), (newer_bar, newer), _ = self.turns
        part_way = at - (0.35 + 0.3 * self.rng.random()) * (at - newer)
        rise = (newer - older) / max(newer_bar - older_bar, 1)
        ends = [*((price, 0.0, number) for number, price in enumerate(averages))] * 2
        ends += [(newer + rise * (bar - newer_bar), rise, -1)] * 2
        ends += [(broken, 0.0, -1), (part_way, 0.0, -1)]
        fair = [end for end in ends if 2 * unit <= self.bias * (at - end[0]) <= 9 * unit]
        chosen = fair[int(self.rng.integers(len(fair)))] if fair else (at - self.bias * 3 * unit, 0.0, -1)
        self.target, self.slope, self.average = chosen


def walk(rng: Generator, times: Times, character: Character, step: float) -> Tape:
    """Let the market run; prices come as whole numbers of ``step``."""
    count, grows = len(times), character.scale == 0.0
    usual = character.bar_deviation
    deviation, felt = _volatility(rng, times, character)
    moves = (rng.random((count, STEPS_IN_A_BAR)) - 0.5) / UNIFORM_DEVIATION / STEPS_IN_A_BAR**0.5
    paths = np.cumsum(moves, axis=1)
    on_the_way = np.arange(1, STEPS_IN_A_BAR + 1) / STEPS_IN_A_BAR
    gaps = (_bell(rng, count) * character.gap * times.after_break).tolist()
    flutter = (rng.random(count) < FLUTTER).astype(np.int64) - (rng.random(count) < FLUTTER)

    # ``at`` is the logarithm of the price, or the price itself in ``scale`` where moves do not grow with it.
    crowd = Crowd(rng, reach=0.45 if grows else 0.9)
    rows, closes = np.empty((count, 4)), [0.0] * (count + 1)
    at = fast = slow = 0.0
    units = (usual * RANGE_OF_A_BAR * felt).tolist()
    for bar, loud in enumerate(deviation.tolist()):
        drift = crowd.drift(bar, at, (fast / FAST, slow / SLOW), units[bar])
        paths[bar] += drift * on_the_way
        path = paths[bar]
        at += usual * gaps[bar]
        size = usual * loud
        high, low, end = (crowd.met(at + size * float(point)) for point in (path.max(), path.min(), path[-1]))
        rows[bar] = at, max(at, high), min(at, low), end
        at = closes[bar + 1] = end
        fast += at - closes[max(bar + 1 - FAST, 0)]
        slow += at - closes[max(bar + 1 - SLOW, 0)]
    prices = character.price * np.exp(rows) if grows else character.price + character.scale * rows
    whole = np.rint(prices / step).astype(np.int64)
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
