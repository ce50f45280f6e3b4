"""Benchmark of studies: ``python -m tests.benchmarks.studies`` prints measured figures beside targets.

5,000 invented instruments of 5,000 daily bars each are in Parquet files. Figures are compared with the kernel over the
same bars, in processor seconds; two processes with one, the best of three runs each, and a local Dask cluster of two
workers with one of one, by the wall clock. What two cores can do at best is shown by two studies side by side. The
command ends with 1 if a target is missed. ``--quick`` uses a twentieth of the instruments and ends with 1 only if a
figure is off by more than a factor of 10.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from decimal import Decimal
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory
from time import perf_counter
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
from pyarrow import parquet

from scanner.clocks import DAY
from scanner.market.bars import Bars
from scanner.market.instruments import Instrument
from scanner.market.price_steps import PriceSteps
from scanner.market.sessions.calendars import calendar_named
from scanner.market.sessions.timeframes import Timeframe
from scanner.pipeline import Inputs
from scanner.replays.recordings import Reading
from scanner.studies.jobs import TOGETHER
from scanner.studies.running import How, study_files
from scanner.studies.stories.collecting import Asked, collect_together
from scanner.studies.stories.controls import draws_for
from scanner.trade.rulebook import Rulebook
from scanner.trade.size import Account
from tests.benchmarks.measures import Measures, best
from tests.benchmarks.walk import START, random_walk

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from scanner.studies.stories.columns import Columns

SERIES, BARS, QUICK = 5_000, 5_000, 20
MARGIN, RUNS = 10.0, 3
GIGABYTE = 1 << 20
"""In kilobytes, in which the system counts memory."""


def daily(seed: int) -> Bars:
    """Give invented daily bars."""
    walk = random_walk(BARS, seed)
    opens = START + DAY * np.arange(BARS, dtype=np.int64)
    return Bars(opens, opens + DAY, walk.open, walk.high, walk.low, walk.close, walk.volume)


def write(folder: Path, series: int) -> list[Path]:
    """Write a file for each instrument."""
    paths = []
    for number in range(series):
        bars = daily(number)
        columns = {name: getattr(bars, name) for name in ("open", "high", "low", "close", "volume")}
        paths.append(folder / f"S{number:04}.parquet")
        parquet.write_table(
            pa.table({"time": pa.array(bars.open_time, pa.timestamp("ns", tz="UTC")), **columns}), paths[-1]
        )
    return paths


def kernel_and_following(series: int) -> tuple[float, float, int]:
    """Give the seconds that the kernel alone takes for all bars in memory, those of finding and following, and setups.

    Both are measured for some instruments at a time, since the speed of a machine may change.
    """
    from tests.benchmarks.kernel import Long  # noqa: PLC0415 - else the processes of each study would load it, too

    frame, book, asked = Timeframe.named("1d"), Rulebook(), Asked(variants=False, draws=0)
    steps, one = PriceSteps.fixed(Decimal("0.01")), Long(daily(0), book, "1d")
    kernel, following, found = 0.0, 0.0, 0
    for first in (0, *range(0, series, TOGETHER)):
        bars: list[list[Bars]] = []
        rows: list[Columns] = []

        def work() -> None:
            instruments = [Instrument(f"S{number}", steps) for number in range(len(bars))]  # noqa: B023 - called at once
            made = [Inputs(each, calendar_named("none"), frame, (frame,), book, Account()) for each in instruments]
            rows.extend(lane.stories.columns() for lane in collect_together(made, bars, asked).lanes)  # noqa: B023 - as above

        alone = 0.0
        for number in range(first, min(first + TOGETHER, series)):
            own = daily(number)
            bars.append([own])
            one.prices = np.array([own.open, own.high, own.low, own.close, own.volume])
            alone += best(one.run, 1)
        whole = best(work, 1)
        if not first:  # the first time may include compiling; it is measured again
            kernel, following, found = 0.0, 0.0, 0
        kernel, following = kernel + alone, following + whole
        found += sum(len(columns.get("id", ())) for columns in rows)
    return kernel, following, found


class Memory:
    """The peak memory of this process and of all that it starts, in kilobytes. What they share counts for each."""

    def __init__(self) -> None:
        self._others = 0

    def look(self, _done: int, _all: int) -> None:
        """Look again at those started, which end with the study."""
        self._others = max(self._others, sum(map(_peak, _started_by("self"))))

    @property
    def most(self) -> int:
        """The peak so far."""
        return self._others + _peak("self")


def _started_by(process: str) -> list[str]:
    number = os.getpid() if process == "self" else process
    children = Path(f"/proc/{number}/task/{number}/children").read_text().split()
    return [each for child in children for each in (child, *_started_by(child))]


def _peak(process: str) -> int:
    lines = Path(f"/proc/{process}/status").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("VmHWM"))


def by_the_wall(work: Callable[[], object]) -> float:
    """Give the seconds by the wall clock."""
    start = perf_counter()
    work()
    return perf_counter() - start


def in_a_process(folder: Path, workers: int) -> tuple[float, int]:
    """Study in a process of its own; gives the seconds by the wall clock and the peak memory in kilobytes."""
    words = [sys.executable, "-m", "tests.benchmarks.studies", "--study", str(folder), "--workers", str(workers)]
    seconds, memory = subprocess.run(words, stdout=subprocess.PIPE, text=True, check=True).stdout.split()
    return float(seconds), int(memory)


def study_once(folder: Path, workers: int) -> None:
    """Study the files of a folder once all code is loaded, and print what ``in_a_process`` gives."""
    asked, memory = Asked(draws=draws_for(SERIES)), Memory()
    study_files(sorted(folder.iterdir())[:20], Reading(), asked, How(workers=1))
    seconds = by_the_wall(lambda: study_files([folder], Reading(), asked, How(workers=workers), memory.look))
    print(seconds, memory.most)


def on_a_cluster(workers: int, warm: Callable[[How], object], study: Callable[[How], object]) -> float:
    """Give the seconds that a study takes on a local cluster of warm workers."""
    from distributed import LocalCluster  # noqa: PLC0415 - as above

    start: Any = LocalCluster  # which has no types
    with start(n_workers=workers, threads_per_worker=1, dashboard_address=None, host="127.0.0.1") as cluster:
        how = How(cluster=cluster.scheduler_address)
        warm(how)
        return by_the_wall(lambda: study(how))


def time_studies(measures: Measures, paths: Sequence[Path]) -> None:
    """Measure the kernel, finding and following, and whole studies."""
    series = len(paths)
    kernel, following, found = kernel_and_following(series)
    measures.add(f"kernel over {series:,} x {BARS:,} bars", kernel, "{:.2f} s")
    measures.add(f"finding and following {found:,} setups", following / kernel, "{:.1f} x", most=3.0)
    asked = Asked(draws=draws_for(SERIES))
    study = partial(study_files, paths, Reading(), asked)
    study_files(paths[:20], Reading(), asked, How(workers=1))
    rows: list[tuple[int, int]] = []

    def whole() -> None:
        made, _ = study(How(workers=1))
        rows.append((len(made.trades), len(made.variants)))

    measures.add("whole study", best(whole, 1) / kernel, "{:.0f} x", most=60.0)
    measures.add("    its rows: setups, those of variants, controls", rows[0][0], "{:,.0f}")
    measures.add("    its variants", rows[0][1], "{:.0f}", least=40)
    (one, two), memory = np.transpose(
        [[in_a_process(paths[0].parent, workers) for workers in (1, 2)] for _ in range(RUNS)]
    )
    measures.add("    on two processes against one, by the wall", one.min() / two.min(), "{:.2f} x", least=1.8)
    with ThreadPoolExecutor(2) as both:
        beside, _ = np.transpose([*both.map(partial(in_a_process, paths[0].parent), (1, 1))])
    measures.add("    two studies side by side against one after the other", 2 * one.min() / beside.max(), "{:.2f} x")
    warm = partial(study_files, paths[:20], Reading(), asked)
    one, two = (on_a_cluster(workers, warm, study) for workers in (1, 2))
    measures.add("    on a cluster of two workers against one", one / two, "{:.2f} x", least=1.7)
    measures.add("    memory of all processes, at most", memory[1].max() / GIGABYTE, "{:.2f} GB", most=3.0)


def main() -> int:
    """Measure and print; gives 1 if a target is missed."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="fewer instruments; only gross misses count")
    parser.add_argument(
        "--study", type=Path, metavar="FOLDER", help="only study these files once, and print the figures"
    )
    parser.add_argument("--workers", type=int, default=1, help="with --study: processes")
    words = parser.parse_args()
    if words.study is not None:
        study_once(words.study, words.workers)
        return 0
    quick, measures = words.quick, Measures()
    with TemporaryDirectory() as folder:
        time_studies(measures, write(Path(folder), SERIES // QUICK if quick else SERIES))
    print("\n".join(measures.lines()))
    return int(measures.missed(MARGIN if quick else 1.0))


if __name__ == "__main__":
    sys.exit(main())
