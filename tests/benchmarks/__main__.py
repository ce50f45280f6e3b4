"""Benchmarks of the scanner: ``python -m tests.benchmarks`` prints measured figures beside targets.

The command ends with 1 if any target is missed. Targets are ratios of processor seconds,
taken in one run, since machines differ and may be busy; each is the best of a few. ``--quick`` uses a tenth of the
bars and of the series, too few for a steady figure: it prints misses, too, but ends with 1 only if a
figure is off by more than a factor of 10.
"""

from __future__ import annotations

import os

os.environ["POLARS_MAX_THREADS"] = "1"  # before polars is imported anywhere: all comparisons use one thread

import argparse
import sys
import tracemalloc
from decimal import Decimal

from scanner.analysis.pool import FEW, Pool
from scanner.engine.series_engine import SeriesEngine
from scanner.market.instruments import Instrument
from scanner.market.price_steps import PriceSteps
from scanner.present.chart.chart import chart_for
from scanner.present.story_chart.chart import story_chart_for
from scanner.trade.rulebook import Rulebook
from tests.benchmarks.commands import time_commands
from tests.benchmarks.following import time_following
from tests.benchmarks.kernel import time_closes, time_long, time_vectorised
from tests.benchmarks.measures import Measures, best
from tests.benchmarks.reading import time_reading
from tests.benchmarks.walk import random_walk
from tests.demo_setups import replayed
from tests.laws import all_setups, timetable

MARGIN = 10.0
"""The factor by which a figure may be off with ``--quick``."""


def watcher(rulebook: Rulebook, pool: Pool | None = None) -> SeriesEngine:
    """Follow an invented instrument."""
    instrument = Instrument("PETREL", PriceSteps.fixed(Decimal("0.01")))
    return SeriesEngine(instrument, timetable("1m"), rulebook, pool=pool)


def time_engine(measures: Measures, scale: int) -> None:
    """Measure the engine: whether the cost of a bar depends on their number, and the size of a series at rest."""
    per_bar = []
    for bars in (250_000 // scale, 1_000_000 // scale, 4_000_000 // scale):
        part = random_walk(bars)
        per_bar.append(best(lambda part=part: watcher(Rulebook()).push(part)) / bars * 1e9)  # type: ignore[misc]  # bound at once
    measures.add("engine with the doji pause, events and all", per_bar[1], "{:.0f} ns a bar")
    measures.add("    with 16 times as many bars against few", per_bar[2] / per_bar[0], "{:.2f} x", most=1.25)

    nine, series = all_setups(), 1_000
    few = random_walk(300)
    watcher(nine).push(few)  # loads the compiled code, which all series share
    tracemalloc.start()
    before = tracemalloc.get_traced_memory()[0]
    pool = Pool(nine.rules, nine.setups, timetable("1m"), FEW)
    pool.reserve(series)
    kept = [watcher(nine, pool) for _ in range(series)]
    for each in kept:
        each.push(few)
    resting = (tracemalloc.get_traced_memory()[0] - before) / series / 1_024
    tracemalloc.stop()
    measures.add("a series at rest with all setups", resting, "{:.1f} KB", most=24)


def time_chart(measures: Measures) -> None:
    """Draw a setup of the demo feed from the bars before it, and its story."""
    each = next(each for each in replayed().values() if each.setups)
    event = each.setups[0]
    bars = each.before(event)
    size = len(chart_for(bars, event, each.rules, "UTC")) / 1_024
    taken = best(lambda: chart_for(bars, event, each.rules, "UTC"))
    measures.add("a chart, PNG", taken * 1e3, "{:.0f} ms", most=300)
    measures.add("    its size", size, "{:.0f} KB", most=60)
    told = [said for said in each.events if said.thread == event.thread]
    taken = best(lambda: story_chart_for(each.bars, told, each.rules, "UTC"))
    measures.add("a story's chart, PNG", taken * 1e3, "{:.0f} ms", most=300)


def main() -> int:
    """Measure and print; gives 1 if a target is missed."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="a tenth of the bars; only gross misses count")
    quick = parser.parse_args().quick
    measures, scale = Measures(), 10 if quick else 1
    time_long(measures)
    time_closes(measures, scale)
    time_vectorised(measures, scale)
    time_engine(measures, scale)
    time_following(measures, scale)
    time_chart(measures)
    time_reading(measures, scale)
    time_commands(measures, scale)
    print("\n".join(measures.lines()))
    return int(measures.missed(MARGIN if quick else 1.0))


if __name__ == "__main__":
    sys.exit(main())
