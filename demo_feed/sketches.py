"""Sketches of the three bars: what a trader would draw, bent by a case, then set in whole steps of price."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from demo_feed.rule_check import CLOSE, HIGH, LOW, OPEN, USUAL, A, B, D, Threes

if TYPE_CHECKING:
    from numpy.random import Generator

    from demo_feed.rule_check import Floats, Ints, State, Tape


@dataclass(frozen=True, slots=True)
class Sketch:
    """Bars A, D and B for many ends at once, seen from the long side, in steps of price.

    Bodies are signed, ranges are whole bars; ``under`` is the part of a bar's wicks that lies below its body.
    ``gap`` is a bar's open less the close before it. ``atr`` and ``usual`` (body) are those before A.
    """

    atr: Floats
    usual: Floats
    usual_sum: Ints
    body_a: Floats
    body_d: Floats
    body_b: Floats
    range_a: Floats
    range_d: Floats
    range_b: Floats
    under_a: Floats
    under_d: Floats
    under_b: Floats
    gap_a: Floats
    gap_d: Floats
    gap_b: Floats
    volume: Floats

    def bent(self, **changes: Any) -> Sketch:  # noqa: ANN401 - any of the fields
        """Give a sketch with some fields changed."""
        return replace(self, **changes)


class Draw:
    """Draws random numbers for a sketch: one for each of its ends."""

    def __init__(self, rng: Generator, count: int) -> None:
        self.rng, self.count = rng, count

    def between(self, low: float, high: float) -> Floats:
        """Draw numbers evenly between two bounds."""
        return low + (high - low) * self.rng.random(self.count)

    def side(self) -> Floats:
        """Draw −1 or 1."""
        return np.where(self.rng.random(self.count) < 0.5, -1.0, 1.0)  # noqa: PLR2004 - a coin


def fitting(tape: Tape, state: State, ends: Ints, draw: Draw) -> Sketch:
    """Sketch three bars that fit every rule as a rule, on the market as it stands before them."""
    before = ends - 3
    atr = state.atr[before]
    usual_sum = state.body_sums[before + 1] - state.body_sums[before + 1 - USUAL]
    body_a = np.maximum(usual_sum / USUAL * draw.between(1.05, 2.0), 0.35 * atr)
    range_a = body_a / draw.between(0.62, 0.95)
    range_d = range_a * draw.between(0.28, 0.7)
    body_b = body_a * draw.between(0.72, 1.45)

    def gap(bar: int) -> Floats:
        natural: Floats = (tape.open[before + bar] - tape.close[before + bar - 1]).astype(np.float64)
        return natural

    return Sketch(
        atr=atr,
        usual=usual_sum / USUAL,
        usual_sum=usual_sum,
        body_a=body_a,
        body_d=range_d * draw.between(-0.08, 0.08),
        body_b=body_b,
        range_a=range_a,
        range_d=range_d,
        range_b=body_b / draw.between(0.62, 0.95),
        under_a=draw.between(0.2, 0.8),
        under_d=draw.between(0.35, 0.65),
        under_b=draw.between(0.2, 0.8),
        gap_a=gap(1),
        gap_d=np.clip(gap(2), -1, 1),
        gap_b=np.clip(gap(3), -1, 1),
        volume=np.stack([draw.between(1.1, 1.7), draw.between(0.6, 0.9), draw.between(0.9, 1.9)], axis=1),
    )


def _bar(open_: Ints, body: Floats, span: Floats, under: Floats) -> Ints:
    """Set one bar in whole steps: open, high, low and close by case."""
    whole_body = np.rint(body).astype(np.int64)
    whole_span = np.maximum(np.rint(span).astype(np.int64), np.abs(whole_body))
    close = open_ + whole_body
    below = np.rint((whole_span - np.abs(whole_body)) * under).astype(np.int64)
    low = np.minimum(open_, close) - below
    return np.stack([open_, low + whole_span, low, close], axis=1)


def set_in_steps(sketch: Sketch, tape: Tape, ends: Ints) -> Threes:
    """Set the sketched bars on the market's last close before them."""
    last = tape.close[ends - 3]
    bars = []
    for body, span, under, gap in (
        (sketch.body_a, sketch.range_a, sketch.under_a, sketch.gap_a),
        (sketch.body_d, sketch.range_d, sketch.under_d, sketch.gap_d),
        (sketch.body_b, sketch.range_b, sketch.under_b, sketch.gap_b),
    ):
        bars.append(_bar(last + np.rint(gap).astype(np.int64), body, span, under))
        last = bars[-1][:, CLOSE]
    natural = tape.volume[ends[:, None] + np.array([-2, -1, 0])]
    return Threes(np.stack(bars, axis=1), np.rint(natural * sketch.volume))


def close_b_at(threes: Threes, price: Ints) -> Threes:
    """Move the close of B, and its high where it must follow; the high keeps its distance above the body."""
    prices = threes.prices.copy()
    over = prices[:, B, HIGH] - prices[:, B, CLOSE]
    prices[:, B, CLOSE] = price
    prices[:, B, HIGH] = np.maximum(price, prices[:, B, OPEN]) + np.maximum(over, 0)
    prices[:, B, LOW] = np.minimum(prices[:, B, LOW], np.minimum(price, prices[:, B, OPEN]))
    return Threes(prices, threes.volume)


def to_beat(threes: Threes) -> Ints:
    """Give the price that the close of B must beat."""
    return np.maximum(threes.prices[:, A, CLOSE], threes.prices[:, D, HIGH])
