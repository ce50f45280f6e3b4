"""``find_setups`` on bars in memory, against the kernel alone over the same bars."""

from __future__ import annotations

import warnings
from typing import TYPE_CHECKING

import pandas as pd

from scanner import find_setups
from scanner.trade.rulebook import Rulebook
from tests.benchmarks.kernel import Long
from tests.benchmarks.measures import best
from tests.benchmarks.walk import random_walk

if TYPE_CHECKING:
    from tests.benchmarks.measures import Measures


def time_frames(measures: Measures, scale: int) -> None:
    """Measure both with the setup that is watched by default; what is found is followed to its end."""
    bars = random_walk(1_000_000 // scale)
    columns = {name: getattr(bars, name) for name in ("open", "high", "low", "close", "volume")}
    frame = pd.DataFrame(columns, index=pd.to_datetime(bars.open_time, utc=True))
    alone = Long(bars, Rulebook())
    alone.run()
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        found = find_setups(frame)
        taken = best(lambda: find_setups(frame))
    measures.add(f"{len(bars):,} bars in memory to {len(found):,} setups", taken, "{:.2f} s")
    measures.add("    against the kernel alone", taken / best(alone.run, 5), "{:.1f} x", most=3.0)
