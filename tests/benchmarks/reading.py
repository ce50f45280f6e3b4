"""Files read into bars that the guard has checked, compared with a reader that only gives columns."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from pyarrow import csv

from scanner.market.guard import Guard
from scanner.market.sessions.calendars import calendar_named
from scanner.market.sessions.timeframes import Timeframe
from scanner.market.sessions.timetables import Timetable
from scanner.replays.recordings import Reading, recordings
from scanner.replays.replay import BLOCK
from tests.benchmarks.commands import frame
from tests.benchmarks.measures import best

if TYPE_CHECKING:
    from tests.benchmarks.measures import Measures


def guarded(path: Path) -> int:
    """Read a file of minute bars; gives their number."""
    guard, bars = Guard(Timetable(calendar_named("none"), Timeframe.named("1m"))), 0
    for recording in recordings([path], Reading()):
        for raw in recording.bars:
            bars += sum(len(guard.check(block).bars) for block in raw.blocks(BLOCK))
    return bars


def german(path: Path, written: Path) -> None:
    """Write a file again, with decimal commas and semicolons."""
    names, text = path.read_bytes().split(b"\n", 1)
    rows = text.replace(b",", b";").replace(b".", b",").replace(b",000000000Z", b"Z")
    written.write_bytes(names.replace(b",", b";") + b"\n" + rows)


def time_reading(measures: Measures, scale: int) -> None:
    """Measure reading plain rows, and the same with decimal commas."""
    rows = 1_000_000 // scale
    with tempfile.TemporaryDirectory() as name:
        plain, commas = Path(name, "plain.csv"), Path(name, "commas.csv")
        csv.write_csv(frame(rows), plain)
        german(plain, commas)
        assert guarded(plain) == guarded(commas) == rows
        columns = best(lambda: csv.read_csv(plain), 5)
        taken = best(lambda: guarded(plain), 5)
        measures.add(f"{rows:,} rows of CSV to guarded bars", taken, "{:.2f} s")
        measures.add("    against reading their columns", taken / columns, "{:.1f} x", most=2)
        measures.add("    with decimal commas", best(lambda: guarded(commas), 3) / columns, "{:.1f} x")
