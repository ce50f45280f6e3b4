"""Benchmark of the Python interface: ``python -m tests.benchmarks.frames`` prints measured figures beside targets.

``find_setups`` on a million bars in memory is compared with the kernel alone over the same bars. The command ends with
1 on a miss.
"""

from __future__ import annotations

import sys
import warnings

import pandas as pd

from scanner import find_setups
from scanner.trade.rulebook import Rulebook
from tests.benchmarks.kernel import Long
from tests.benchmarks.measures import Measures, best
from tests.benchmarks.walk import random_walk

BARS = 1_000_000


def time_frames(measures: Measures) -> None:
    """Measure both with the setup that is watched by default; setups found are followed to their end."""
    bars = random_walk(BARS)
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


def main() -> int:
    """Measure and print; gives 1 if a target is missed."""
    measures = Measures()
    time_frames(measures)
    print("\n".join(measures.lines()))
    return int(measures.missed(1.0))


if __name__ == "__main__":
    sys.exit(main())
