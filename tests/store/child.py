"""Run by tests in a process of its own: commits batches to a store until it is killed or the disk is full.

``python -m tests.store.child PATH kill`` goes on for ever, and prints how many it has stored. ``full LIMIT`` lets no
file grow beyond this many bytes, prints the resulting trouble and then goes on with the same batch without the limit.
"""

from __future__ import annotations

import resource
import sys
import time
from pathlib import Path

from scanner.store import Batch, SeriesKey, Store, StoreTroubleError
from scanner.store.upkeep.check import check
from scanner.store.upkeep.maintenance import tidy
from tests.store.samples import said, sent, update

SERIES = [SeriesKey(f"TERN{number}", "1m") for number in range(40)]


def batch(minute: int) -> Batch:
    """Make the batch of a minute: a bar of each series, and events of a fifth of them, for two sinks."""
    speaking = [key for number, key in enumerate(SERIES) if (number + minute) % 5 == 0]
    return Batch(
        [update(key, minute, 1) for key in SERIES],
        said=[said(key, minute, ["console", "mqtt"]) for key in speaking],
        sent=[sent(key, minute, 1) for key in SERIES],
    )


def commit_for_ever(path: Path) -> None:
    with Store.open(path, time.time_ns) as store:
        first = next((len(series.bars) for series in store.bars.load(SERIES)), 0)
        sys.stdout.write(f"{first}\n")
        sys.stdout.flush()
        for minute in range(first, 1_000_000):
            store.commit(batch(minute))
            sys.stdout.write(f"{minute + 1}\n")
            sys.stdout.flush()
            for delivery in store.outbox.due(time.time_ns(), "mqtt", 3):
                store.outbox.delivered([delivery.number])
            tidy(store)


def fill(path: Path, limit: int) -> None:
    with Store.open(path, time.time_ns) as store:
        unlimited = resource.getrlimit(resource.RLIMIT_FSIZE)
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, unlimited[1]))
        minute = 0
        try:
            while True:
                store.commit(batch(minute))
                minute += 1
        except StoreTroubleError as problem:
            sys.stdout.write(f"{problem}\n")
        kept = {len(series.bars) for series in store.bars.load(SERIES)}
        resource.setrlimit(resource.RLIMIT_FSIZE, unlimited)
        store.commit(batch(minute))
        after = {len(series.bars) for series in store.bars.load(SERIES)}
        sys.stdout.write(f"{minute} {kept} {after} {check(store)}\n")


if __name__ == "__main__":
    if sys.argv[2] == "kill":
        commit_for_ever(Path(sys.argv[1]))
    else:
        fill(Path(sys.argv[1]), int(sys.argv[3]))
