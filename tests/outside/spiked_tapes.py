"""Tapes with bars that look like bad ticks or nearly so: some exactly at the threshold, some a step beyond."""

from __future__ import annotations

from decimal import ROUND_FLOOR, Decimal
from random import Random
from typing import TYPE_CHECKING

from tests.outside.plain_indicators import ATR_BARS, known, true_range, wilder
from tests.outside.plain_spikes import FAR
from tests.outside.plain_terms import Bar
from tests.outside.random_tapes import step_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tests.outside.random_tapes import Row

SPIKES = 4


def spiked(rows: Sequence[Row], seed: int) -> list[Row]:
    """Give the tape of a seed with some bars changed, always the same ones."""
    random, step = Random(f"spikes of {seed}"), step_of(seed)
    bars = [Bar.of(*row) for row in rows]
    for t in sorted(random.sample(range(260, len(bars) - 60), SPIKES)):
        atr = known(wilder(true_range(bars[:t]), ATR_BARS)[-1])
        far = random.choice((0, -1, 1, 2)) * step + random.choice((1, 1, 1, Decimal("1.3"), 4, 30)) * FAR * atr
        distance = (far / step).to_integral_value(ROUND_FLOOR) * step
        side = random.choice((1, -1))
        plant = random.choice((with_a_wick, moved_away))
        bar = plant(bars[t] if side > 0 else bars[t].reflected(), _highest(bars[t - ATR_BARS : t], side), distance)
        bars[t] = bar if side > 0 else bar.reflected()
    return [
        (float(bar.open), float(bar.high), float(bar.low), float(bar.close), row[4])
        for bar, row in zip(bars, rows, strict=True)
    ]


def with_a_wick(bar: Bar, highest: Decimal, distance: Decimal) -> Bar:
    """Extend a bar this far beyond the bars before it and its own body."""
    return Bar(bar.open, max(highest, bar.open, bar.close) + distance, bar.low, bar.close, bar.volume)


def moved_away(bar: Bar, highest: Decimal, distance: Decimal) -> Bar:
    """Move a bar so that its body lies this far beyond the bars before it."""
    by = highest + distance - min(bar.open, bar.close)
    return Bar(bar.open + by, bar.high + by, bar.low + by, bar.close + by, bar.volume)


def _highest(bars: Sequence[Bar], side: int) -> Decimal:
    return max(bar.high if side > 0 else -bar.low for bar in bars)
