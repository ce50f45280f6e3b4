"""Benchmarks of the scanner: ``python -m tests.benchmarks`` prints a table; ``--quick`` takes a tenth of the bars.

Ratios are taken in one run on one machine; single times depend on it. Each figure is the best of three.
"""

from __future__ import annotations

import os

os.environ["POLARS_MAX_THREADS"] = "1"  # before polars is imported anywhere: all is compared on one thread

import argparse
import subprocess
import sys
import tempfile
import tracemalloc
from decimal import Decimal
from pathlib import Path
from time import perf_counter
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet

from scanner.analysis import kernel
from scanner.analysis.columns import COLUMNS
from scanner.analysis.rules import Rules
from scanner.engine import SeriesEngine
from scanner.market.bars import Bars
from scanner.market.instruments import Instrument
from scanner.market.price_steps import PriceSteps
from scanner.market.timeframes import Timeframe
from scanner.present.chart import chart_for
from scanner.present.tables import table
from tests.benchmarks.vectorised import with_pandas, with_polars
from tests.demo_setups import replayed

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from numpy.typing import NDArray

    Columns = dict[str, NDArray[np.float64]]
    Row = Callable[[str, str, str], None]

MINUTE = 60 * 1_000_000_000
NAMES = ("open", "high", "low", "close", "volume")


def random_walk(count: int, seed: int = 1) -> Columns:
    """Invent bars of a price that wanders on steps of 0.01."""
    rng = np.random.default_rng(seed)
    close = np.round(1_000 + np.cumsum(rng.normal(0, 0.1, count)), 2)
    open_ = np.round(np.concatenate([[1_000], close[:-1]]) + rng.normal(0, 0.02, count), 2)
    high = np.round(np.maximum(open_, close) + np.abs(rng.normal(0, 0.05, count)), 2)
    low = np.round(np.minimum(open_, close) - np.abs(rng.normal(0, 0.05, count)), 2)
    return dict(zip(NAMES, (open_, high, low, close, np.round(rng.gamma(2, 500, count))), strict=True))


def as_bars(columns: Columns) -> Bars:
    opens = np.arange(len(columns["open"]), dtype=np.int64) * MINUTE + 946_684_800 * 1_000_000_000
    return Bars(opens, opens + MINUTE, *(columns[name] for name in NAMES))


def best(work: Callable[[], object], times: int = 3) -> float:
    """Give the shortest of some runs, in seconds."""
    taken = []
    for _ in range(times):
        start = perf_counter()
        work()
        taken.append(perf_counter() - start)
    return min(taken)


def run_kernel(columns: Columns) -> list[int]:
    """Find the bars that pass every rule but the place; positive for long, negative for short."""
    count = len(columns["open"])
    rows, swings = np.zeros((COLUMNS, count)), np.zeros(count, dtype=np.uint8)
    for number, name in enumerate(NAMES):
        rows[number] = columns[name]
    return list(through_kernel(rows, swings))


def through_kernel(rows: NDArray[np.float64], swings: NDArray[np.uint8]) -> Iterator[int]:
    """Take rows through the kernel."""
    state, rules, start = kernel.fresh_state(), Rules(), 0
    found = np.empty(2 * kernel.BLOCK, dtype=kernel.FOUND)
    while start < rows.shape[1]:
        reason, start, number = kernel.advance(rows, swings, start, rows.shape[1], state, rules.record, found)
        yield from (found["sign"] * found["index"])[:number].tolist()
        if reason == kernel.LEAP:
            state["leap_seen"] = True


def watcher() -> SeriesEngine:
    return SeriesEngine(Instrument("PETREL", PriceSteps.fixed(Decimal("0.01"))), Timeframe.named("1m"))


def whole_process(*words: str, env: dict[str, str] | None = None) -> float:
    """Run the command line in a process of its own; gives the seconds it took."""
    start = perf_counter()
    command = [sys.executable, "-c", "from scanner.cli import main; main()", *words]
    subprocess.run(
        command, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env=os.environ | (env or {})
    )
    return perf_counter() - start


def write_files(folder: Path, csv_rows: int, parquet_rows: int) -> tuple[Path, Path, Path]:
    """Write the files that the commands are timed on."""

    def frame(count: int) -> pa.Table:
        columns = random_walk(count)
        times = pa.array(as_bars(columns).open_time).cast(pa.timestamp("ns", tz="UTC"))
        return pa.table({"time": times, **columns})

    csv, parquet, small = folder / "million.csv", folder / "tens.parquet", folder / "small.csv"
    pa.csv.write_csv(frame(csv_rows), csv)
    pa.parquet.write_table(frame(parquet_rows), parquet)
    pa.csv.write_csv(frame(2_000), small)
    return csv, parquet, small


def a_chart() -> tuple[float, float]:
    """Draw a setup of the demo feed from the bars before it; gives milliseconds, and KB of the picture."""
    each = replayed()["TERNFERRY"]
    event = each.setups[0]
    bars = each.before(event)
    size = len(chart_for(bars, event, each.rules, "UTC")) / 1_024
    return best(lambda: chart_for(bars, event, each.rules, "UTC")) * 1e3, size


def time_kernel(row: Row, scale: int) -> None:
    """Measure the kernel, also against two vectorised readings that must find the same."""
    count = 1_000_000 // scale
    columns = random_walk(count)
    same = {name: set(map(int, find(columns))) for name, find in (("pandas", with_pandas), ("polars", with_polars))}
    ours = set(run_kernel(columns))
    if not ours or any(found != ours for found in same.values()):
        raise SystemExit("the three readings of the rules differ: their speed means nothing")
    rows_of_kernel, swings = np.zeros((COLUMNS, count)), np.zeros(count, dtype=np.uint8)
    for number, name in enumerate(NAMES):
        rows_of_kernel[number] = columns[name]
    kernel_time = best(lambda: list(through_kernel(rows_of_kernel, swings)), 7)
    row("kernel", f"{count / kernel_time / 1e6:.1f} million bars/s", ">= 20")
    row("kernel against pandas", f"{best(lambda: with_pandas(columns)) / kernel_time:.1f} x", ">= 25 x")
    row("kernel against polars, one thread", f"{best(lambda: with_polars(columns)) / kernel_time:.1f} x", ">= 1.5 x")


def time_engine(row: Row, scale: int) -> None:
    """Measure the engine: by bars, by series, and at rest."""
    per_bar = []
    for bars in (250_000 // scale, 1_000_000 // scale, 4_000_000 // scale):
        part = as_bars(random_walk(bars))
        per_bar.append(best(lambda part=part: watcher().push(part)) / bars * 1e9)  # type: ignore[misc]  # bound at once
    row("engine, ns a bar for 1/4, 1 and 4 times as many", " ".join(f"{each:.0f}" for each in per_bar), "equal")
    per_series = []
    one = as_bars(random_walk(300))
    for series in (100 // scale, 1_000 // scale, 10_000 // scale):
        watchers = [watcher() for _ in range(series)]
        for each in watchers:
            each.push(one[:299])

        def close(watchers: list[SeriesEngine] = watchers) -> None:
            for each in watchers:
                each.push(one[299:])

        per_series.append(best(close, 1) / series * 1e6)
    row("one bar close, us a series for 100, 1,000, 10,000", " ".join(f"{each:.1f}" for each in per_series), "equal")

    tracemalloc.start()
    before = tracemalloc.get_traced_memory()[0]
    kept = [watcher() for _ in range(1_000)]
    for each in kept:
        each.push(one)
    resting = (tracemalloc.get_traced_memory()[0] - before) / len(kept) / 1_024
    tracemalloc.stop()
    row("a series at rest", f"{resting:.1f} KB", "<= 24 KB")


def time_commands(row: Row, scale: int) -> None:
    """Measure whole processes of the command line."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        csv, parquet, small = write_files(folder, 1_000_000 // scale, 10_000_000 // scale)
        cold = whole_process("replay", str(small), env={"NUMBA_CACHE_DIR": str(folder / "cache")})
        warm = best(lambda: whole_process("replay", str(small)))
        row("first run, compiling included", f"{cold:.1f} s", "")
        row("compiling", f"{cold - warm:.1f} s", "<= 6 s")
        row("replay of a small file, warm, whole process", f"{warm:.2f} s", "<= 1.5 s")
        row("--help, whole process", f"{best(lambda: whole_process('--help')):.2f} s", "<= 0.4 s")
        events = str(folder / "events.jsonl")
        for what, path, wanted in (
            ("1 million rows of CSV", csv, "<= 3 s"),
            ("10 million bars of Parquet", parquet, "<= 5 s"),
        ):
            taken = best(lambda path=path: whole_process("replay", str(path), "--events", events))  # type: ignore[misc]  # bound at once
            row(f"{what} to events, whole process", f"{taken:.2f} s", wanted)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="a tenth of the bars")
    scale = 10 if parser.parse_args().quick else 1
    rows: list[tuple[str, str, str]] = []

    def row(what: str, figure: str, wanted: str) -> None:
        rows.append((what, figure, wanted))
        print(f"{what}: {figure}", file=sys.stderr, flush=True)

    time_kernel(row, scale)
    time_engine(row, scale)
    milliseconds, size = a_chart()
    row("a chart, PNG", f"{milliseconds:.0f} ms, {size:.0f} KB", "<= 300 ms, <= 60 KB")
    time_commands(row, scale)

    scaled = " (a tenth of the bars)" if scale > 1 else ""
    print("\n".join(table((f"what{scaled}", "measured", "wanted"), rows, left=(0, 2))))


if __name__ == "__main__":
    main()
