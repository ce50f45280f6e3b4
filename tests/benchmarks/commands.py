"""Whole processes of the command line, compared with the least that such a process must do."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from pathlib import Path
from time import perf_counter
from typing import TYPE_CHECKING

import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet

from scanner.compiling import CACHE_FOLDER
from tests.benchmarks.measures import best, children_time
from tests.benchmarks.walk import random_walk

if TYPE_CHECKING:
    from tests.benchmarks.measures import Measures

MAIN = "from scanner.cli import main; main()"
IMPORTED = "import numba, numpy"
ADDED_UP = """
import sys, pyarrow.parquet, pyarrow.compute
table = pyarrow.parquet.read_table(sys.argv[1])
print(sum(pyarrow.compute.sum(table[name]).as_py() for name in ("open", "high", "low", "close", "volume")))
"""


def process(code: str, *words: str, env: dict[str, str] | None = None) -> None:
    """Run Python in its own process, which keeps its bytecode, as an installed one does."""
    subprocess.run(
        [sys.executable, "-c", code, *words],
        check=True,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        env={name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"} | (env or {}),
    )


def process_time(code: str, *words: str, times: int = 3) -> float:
    """Give the processor seconds that such a process takes."""
    return best(lambda: process(code, *words), times, children_time)


def frame(count: int) -> pa.Table:
    """Give a table of invented bars."""
    bars = random_walk(count)
    times = pa.array(bars.open_time).cast(pa.timestamp("ns", tz="UTC"))
    names = ("open", "high", "low", "close", "volume")
    return pa.table({"time": times, **{name: getattr(bars, name) for name in names}})


def write_files(folder: Path, csv_rows: int, parquet_rows: int) -> tuple[Path, Path, Path]:
    """Write the files for timing the commands."""
    csv, parquet, small = folder / "million.csv", folder / "tens.parquet", folder / "small.csv"
    pa.csv.write_csv(frame(csv_rows), csv)
    pa.parquet.write_table(frame(parquet_rows), parquet)
    pa.csv.write_csv(frame(2_000), small)
    return csv, parquet, small


def time_commands(measures: Measures, scale: int) -> None:
    """Measure whole processes of the command line."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        csv, parquet, small = write_files(folder, 1_000_000 // scale, 10_000_000 // scale)
        start, begun = children_time(), perf_counter()
        process(MAIN, "replay", str(small), env={CACHE_FOLDER: str(folder / "cache")})
        cold, waited = children_time() - start, perf_counter() - begun
        process(MAIN, "replay", str(small))  # so that the cache is warm
        warm, imported = process_time(MAIN, "replay", str(small)), process_time(IMPORTED)
        waited -= best(lambda: process(MAIN, "replay", str(small)), clock=perf_counter)
        measures.add("compiling on all cores, once, by the wall", waited, "{:.1f} s")
        least = best(lambda: process(IMPORTED), clock=perf_counter)
        measures.add("    against importing numba", waited / least, "{:.0f} x", most=40)
        measures.add("    processor time of all cores, against the same", (cold - warm) / imported, "{:.0f} x")
        measures.add("replay of a small file, warm", warm, "{:.2f} s")
        measures.add("    against importing numba", warm / imported, "{:.1f} x", most=2.5)
        measures.add("--help", process_time(MAIN, "--help"), "{:.2f} s")
        events = str(folder / "events.jsonl")
        rows = 1_000_000 // scale
        taken = process_time(MAIN, "replay", str(csv), "--events", events)
        measures.add(f"{rows:,} rows of CSV to events", taken, "{:.2f} s")
        taken, read = (
            process_time(MAIN, "replay", str(parquet), "--events", events),
            process_time(ADDED_UP, str(parquet)),
        )
        measures.add(f"{10 * rows:,} bars of Parquet to events", taken, "{:.2f} s")
        measures.add("    against reading and adding them up", taken / read, "{:.1f} x", most=4)
