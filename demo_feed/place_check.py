"""Places, levels and evidence of one setup, read for the demo feed alone, from the long side."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from math import ceil
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from demo_feed.rule_check import FAST, SLOW, A, B, D

if TYPE_CHECKING:
    from collections.abc import Sequence

    from demo_feed.rule_check import Tape, Threes, Verdicts

SPAN, STRENGTH, PULLBACK, RISE, TURN_BARS, LEAST_RUN = 120, 3, 10, 10, 40, 5
SAFEST_FIRST = ("line", "average", "level", "turn")
WINDOW = SLOW + RISE + 2
"""Bars before t that places may ask for."""


class Swing(NamedTuple):
    """A swing point: its bar, its price and whether it is a low."""

    bar: int
    price: int
    low: bool


@dataclass(frozen=True, slots=True)
class Places:
    """What was found around a bar, with as much of the why as the planted cases ask for."""

    bottom: int
    equal_lows: int
    tolerance: float
    holds: dict[str, bool]
    line_touches: int
    line_pierced: bool
    line_short: bool
    average: int
    average_falls: bool
    near: tuple[Swing, ...]
    lowest: bool
    depth: float
    obstacle: int | None
    obstacle_is_average: bool

    @property
    def names(self) -> tuple[str, ...]:
        """Name the places that hold, the safest first."""
        return tuple(name for name in SAFEST_FIRST if self.holds[name])


class Window:
    """The bars up to t, with A, D and B put in as the last three; bars count from 0, t is the last."""

    def __init__(self, tape: Tape, end: int, three: Threes) -> None:
        begin = max(end - WINDOW, 0)
        before = slice(begin, end - 2)
        prices = three.prices[0]
        self.highs, self.lows, self.closes = (
            np.concatenate([column[before], prices[:, which]]).tolist()
            for which, column in ((1, tape.high), (2, tape.low), (3, tape.close))
        )
        self.end = end - begin

    def mean_sum(self, bar: int, length: int) -> int | None:
        """Give the sum of the last closes up to a bar, None with too few."""
        return None if bar + 1 < length else sum(self.closes[bar + 1 - length : bar + 1])

    def swings(self) -> list[Swing]:
        """List the swing points of the last bars that are confirmed at t."""
        first = max(self.end - SPAN, STRENGTH)
        found = [Swing(bar, self.lows[bar], low=True) for bar in _lowest_around(self.lows, first)]
        found += [
            Swing(bar, self.highs[bar], low=False) for bar in _lowest_around([-high for high in self.highs], first)
        ]
        return sorted(found)


def _lowest_around(lows: list[int], first: int) -> list[int]:
    """List the bars from ``first`` on that are below those before them and not above those after them."""
    prices = np.array(lows[first - STRENGTH :])
    here = prices[STRENGTH : len(prices) - STRENGTH]
    lowest = np.ones(len(here), dtype=np.bool_)
    for away in range(1, STRENGTH + 1):
        lowest &= here < prices[STRENGTH - away :][: len(here)]
        lowest &= here <= prices[STRENGTH + away :][: len(here)]
    return [first + bar for bar in np.flatnonzero(lowest).tolist()]


def places(tape: Tape, end: int, three: Threes, atr: float) -> Places:
    """Look at every place around the bar ``end``; ``atr`` is that at ``end``."""
    window = Window(tape, end, three)
    t, lows, highs = window.end, window.lows, window.highs
    p = min(range(t - PULLBACK + 1, t + 1), key=lambda bar: lows[bar])
    bottom, tolerance = lows[p], 0.5 * atr
    swings = window.swings()
    known = [swing for swing in swings if swing.bar <= p - STRENGTH]

    touches, pierced, short = _line(window, [s for s in known if s.low], p, atr)
    average, falls = _average(window, p, tolerance)
    near = tuple(swing for swing in known if abs(swing.price - bottom) <= tolerance)
    lowest = bottom == min(lows[t - TURN_BARS + 1 :])
    depth = (max(highs[t - TURN_BARS + 1 : p + 1], default=bottom) - bottom) / atr
    ahead, by_average = _obstacle(window, swings, tolerance)
    return Places(
        bottom=bottom,
        equal_lows=lows[t - PULLBACK + 1 :].count(bottom),
        tolerance=tolerance,
        holds={"line": touches > 0, "average": average > 0, "level": len(near) > 1, "turn": lowest and depth >= 3.0},  # noqa: PLR2004 - the rule's own number
        line_touches=touches,
        line_pierced=pierced,
        line_short=short,
        average=average,
        average_falls=falls,
        near=near,
        lowest=lowest,
        depth=depth,
        obstacle=ahead,
        obstacle_is_average=by_average,
    )


def _line(window: Window, lows: Sequence[Swing], p: int, atr: float) -> tuple[int, bool, bool]:
    """Give the most touches of a rising line under the bottom; without one, if one was pierced and if one was short."""
    best, pierced, short = 0, False, False
    for number, first in enumerate(lows):
        for second in lows[number + 1 :]:
            run, rise = second.bar - first.bar, second.price - first.price
            if rise <= 0:
                continue

            def at(bar: int, first: Swing = first, rise: int = rise, run: int = run) -> float:
                return first.price + rise * (bar - first.bar) / run

            if abs(at(p) - window.lows[p]) > 0.5 * atr:
                continue
            if any(window.closes[bar] < at(bar) - 0.25 * atr for bar in range(first.bar, window.end + 1)):
                pierced |= run >= LEAST_RUN
            elif run < LEAST_RUN:
                short = True
            else:
                best = max(best, sum(abs(swing.price - at(swing.bar)) <= 0.25 * atr for swing in lows[number:]))
    return best, pierced and not best, short and not best


def _average(window: Window, p: int, tolerance: float) -> tuple[int, bool]:
    """Give the length of the nearest rising average near the bottom (0: none), and whether a falling one is near."""
    found, falls = [], False
    for length in (FAST, SLOW):
        there, now, then = (window.mean_sum(bar, length) for bar in (p, window.end, window.end - RISE))
        if there is None or now is None or then is None:
            continue
        distance = abs(window.lows[p] - there / length)
        if now > then:
            found.append((distance, length))
        elif distance <= tolerance:
            falls = True
    distance, length = min(found, default=(np.inf, 0))
    return (length if distance <= tolerance else 0), falls


def _obstacle(window: Window, swings: Sequence[Swing], tolerance: float) -> tuple[int | None, bool]:
    """Give the nearest obstacle above the last close, rounded down to a step, and whether it is the slow average."""
    close = window.closes[-1]
    prices = sorted(swing.price for swing in swings)
    # The nearest companion of a price is next to it in order.
    paired = [one for one, other in pairwise(prices) if other - one <= tolerance]
    paired += [other for one, other in pairwise(prices) if other - one <= tolerance]
    level = min((price for price in paired if price > close), default=None)
    total = window.mean_sum(window.end, SLOW)
    if total is not None and close * SLOW < total and (level is None or total < level * SLOW):
        return total // SLOW, True
    return level, False


@dataclass(frozen=True, slots=True)
class Plan:
    """The levels of a setup in steps of price, and the branches by which they were chosen."""

    early: int
    break_: int
    average: int | None
    stop: int
    objectives: tuple[int, ...]
    stop_base: str
    margin: str
    exit: str


def plan(three: Threes, verdicts: Verdicts) -> Plan:
    """Make the levels of one setup; ``objectives`` are those of the break entry."""
    prices, atr = three.prices[0].tolist(), float(verdicts.atr[0])
    low_d, (_, high_b, low_b, close_b) = prices[D][2], prices[B]
    base, why = low_d, "doji"
    if low_b < low_d:
        far = close_b - low_b > 2.0 * atr
        base, why = (low_d, "doji, last bar too far") if far else (low_b, "last bar")
    stop = base - ceil(max(1.0, 0.05 * atr))
    fast, slow = int(verdicts.fast_sum[0]), int(verdicts.slow_sum[0])
    break_ = high_b + 1
    return Plan(
        early=close_b,
        break_=break_,
        average=None if close_b * FAST > fast else -(-fast // FAST),
        stop=stop,
        objectives=tuple(break_ + n * (break_ - stop) for n in (1, 2, 3)),
        stop_base=why,
        margin="step" if 0.05 * atr <= 1.0 else "ATR",
        exit="ride" if close_b * SLOW > slow else "quick",
    )


def evidence(tape: Tape, end: int, three: Threes, verdicts: Verdicts, found: Places) -> dict[str, bool | None]:
    """Weigh each point of evidence; None where it is not counted."""
    prices = three.prices[0].tolist()
    (open_a, high_a, low_a, close_a), (_, high_d, low_d, _), (*_, close_b) = prices[A], prices[D], prices[B]
    open_p, close_p = int(tape.open[end - 3]), int(tape.close[end - 3])
    volumes = np.concatenate([tape.volume[end - 19 : end - 2], three.volume[0]])
    return {
        **{f"place_{name}": found.holds[name] for name in SAFEST_FIRST},
        "engulfing": close_p < open_p and open_a <= close_p and close_a >= open_p,
        "doji_inside": low_d >= low_a and high_d <= high_a,
        "doji_tight": 20 * (high_d - low_d) <= 7 * (high_a - low_a),
        "beyond_fast_average": close_b * FAST > int(verdicts.fast_sum[0]),
        "beyond_slow_average": close_b * SLOW > int(verdicts.slow_sum[0]),
        "volume": None if np.isnan(volumes).any() else bool(volumes[-1] > volumes.mean()),
    }
