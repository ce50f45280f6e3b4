"""Benchmark of the store: ``python -m tests.benchmarks.store`` prints a table; ``--series 1000`` makes it smaller.

The store is compared with the plain way, one row per bar in SQLite, with the same settings. Times depend on the machine
and on its disk; the figures of one run belong together.
"""

from __future__ import annotations

import argparse
import sqlite3
import tempfile
import time
from pathlib import Path
from time import perf_counter
from typing import TYPE_CHECKING

import numpy as np

from scanner.events import Event
from scanner.market.bars import Bars, RawBars
from scanner.store import Batch, Said, Sent, SeriesKey, SeriesUpdate, Store
from scanner.wording.tables import table

if TYPE_CHECKING:
    from collections.abc import Callable

MINUTE = 60 * 1_000_000_000
START = 1_700_000_040 * 1_000_000_000
STORED, LIVE = 500, 16
STATE = 500
"""Bytes that an engine remembers of a series."""
TEXT = "x" * 3_000
"""About as long as an event."""


class Market:
    """Invented bars of many series on steps of 0.01."""

    def __init__(self, series: int) -> None:
        rng = np.random.default_rng(1)
        shape = (series, STORED + LIVE)
        close = np.round(1_000 + np.cumsum(rng.normal(0, 0.1, shape), axis=1), 2)
        open_ = np.round(close + rng.normal(0, 0.05, shape), 2)
        high = np.round(np.maximum(open_, close) + np.abs(rng.normal(0, 0.05, shape)), 2)
        low = np.round(np.minimum(open_, close) - np.abs(rng.normal(0, 0.05, shape)), 2)
        self.prices = (open_, high, low, close, np.round(rng.gamma(2, 500, shape)))
        self.opens = START + MINUTE * np.arange(shape[1], dtype=np.int64)
        self.keys = [SeriesKey(f"TERN{number:05}", "1m") for number in range(series)]
        self.states = [rng.bytes(STATE) for _ in self.keys]

    def batch(self, first: int, stop: int, events: int = 0) -> Batch:
        """Make a batch of some bars of every series, as they came and as they are stored, and a few events."""
        opens, rows = self.opens[first:stop], np.arange(first, stop)
        updates, sent = [], []
        for number, key in enumerate(self.keys):
            first_price, high, low, last, volume = (column[number, first:stop] for column in self.prices)
            bars = Bars(opens, opens + MINUTE, first_price, high, low, last, volume)
            updates.append(SeriesUpdate(key, bars, self.states[number]))
            sent.append(Sent(key, RawBars(opens, first_price, high, low, last, volume, rows, "invented")))
        close = int(opens[-1]) + MINUTE
        said = [
            Said(
                Event("setup.qualified", f"{close}-{number}", close, "/".join(key), {"text": TEXT}),
                ("mqtt", "email"),
                key,
            )
            for number, key in enumerate(self.keys[:events])
        ]
        return Batch(updates, said=said, sent=sent if events else ())


def timed(work: Callable[[], object]) -> float:
    """Give the seconds that some work takes."""
    begun = perf_counter()
    work()
    return perf_counter() - begun


def fold_all(store: Store) -> float:
    """Fold every tail; give the seconds of the longest step."""
    longest = 0.0
    while (bucket := store.bars.longest_tail(due=False)) is not None:
        begun = perf_counter()
        with store.bars.writing() as connection:
            store.bars.fold(connection, bucket)
        longest = max(longest, perf_counter() - begun)
    return longest


def load(path: Path, keys: list[SeriesKey], bars: int) -> int:
    """Open a store and load the last bars and the states of all series; give the number of bars."""
    with Store.open(path, time.time_ns) as store:
        return sum(len(series.bars) for series in store.bars.load(keys, bars))


def measure_store(path: Path, market: Market) -> list[tuple[str, str]]:
    with Store.open(path, time.time_ns) as store:
        for first in range(0, STORED, 50):
            store.commit(market.batch(first, first + 50))
        longest = fold_all(store)
        batches = [market.batch(minute, minute + 1, events=20) for minute in range(STORED, STORED + LIVE)]
        commits = [timed(lambda batch=batch: store.commit(batch)) for batch in batches]  # type: ignore[misc] # bound now
    small = path.stat().st_size
    return [
        ("commit a bar, a state and a raw row of each, 20 events: median", f"{np.median(commits):.3f} s"),
        ("the slowest of these", f"{max(commits):.3f} s"),
        ("the longest step of folding", f"{longest:.3f} s"),
        (
            f"open and load {STORED} bars and the state of each",
            f"{timed(lambda: load(path, market.keys, STORED)):.2f} s",
        ),
        ("open and load 208 bars and the state of each", f"{timed(lambda: load(path, market.keys, 208)):.2f} s"),
        ("size of the file", f"{small / 1e6:.0f} MB"),
    ]


def measure_rows(path: Path, market: Market) -> list[tuple[str, str]]:
    """Measure the plain way: one row for each bar, and neither states nor raw rows nor events."""
    connection = sqlite3.connect(path, isolation_level=None)
    for setting in ("journal_mode = WAL", "synchronous = FULL", "cache_size = -32768"):
        connection.execute(f"PRAGMA {setting}")
    connection.execute(
        "CREATE TABLE bar (series INT, close_time INT, o REAL, h REAL, l REAL, c REAL, v REAL, "
        "PRIMARY KEY (series, close_time)) WITHOUT ROWID"
    )
    closes = (market.opens + MINUTE).tolist()

    def insert(series: range, minutes: range) -> None:
        connection.execute("BEGIN")
        for number in series:
            prices = np.stack([column[number, minutes.start : minutes.stop] for column in market.prices]).T.tolist()
            rows = [(number, closes[minute], *row) for minute, row in zip(minutes, prices, strict=True)]
            connection.executemany("INSERT INTO bar VALUES (?, ?, ?, ?, ?, ?, ?)", rows)
        connection.execute("COMMIT")

    everyone = range(len(market.keys))
    insert(everyone, range(STORED))
    connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    commits = [timed(lambda m=m: insert(everyone, range(m, m + 1))) for m in range(STORED, STORED + LIVE)]  # type: ignore[misc] # bound now

    def load_rows() -> None:
        for number in everyone:
            np.array(
                connection.execute(
                    "SELECT close_time, o, h, l, c, v FROM bar WHERE series = ? ORDER BY close_time DESC LIMIT ?",
                    (number, STORED),
                ).fetchall()
            )

    loading = timed(load_rows)
    connection.close()
    return [
        ("one row a bar: commit a bar of each, median", f"{np.median(commits):.3f} s"),
        (f"one row a bar: load {STORED} bars of each", f"{loading:.2f} s"),
        ("one row a bar: size of the file", f"{path.stat().st_size / 1e6:.0f} MB"),
    ]


def measure_durability(path: Path) -> list[tuple[str, str]]:
    """Measure the cost of being safe from a power cut, too."""
    found = []
    with Store.open(path, time.time_ns) as store:
        for durable in (True, False):

            def commits(durable: bool = durable) -> None:
                for number in range(300):
                    with store.database.writing(durable=durable) as connection:
                        connection.execute("INSERT INTO recording VALUES (NULL, ?, 0, 1, x'')", (number,))

            name = "synchronous=FULL, as a batch is" if durable else "synchronous=NORMAL, as marks of deliveries are"
            found.append((f"a tiny commit, {name}", f"{timed(commits) / 300 * 1e3:.2f} ms"))
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--series", type=int, default=10_000)
    market = Market(parser.parse_args().series)
    with tempfile.TemporaryDirectory() as folder:
        rows = measure_store(Path(folder) / "store.db", market)
        rows += measure_rows(Path(folder) / "rows.db", market)
        rows += measure_durability(Path(folder) / "durability.db")
    print(f"{len(market.keys):,} series")
    print("\n".join(table(["what", "figure"], rows)))


if __name__ == "__main__":
    main()
