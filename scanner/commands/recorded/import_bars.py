"""``closewatch import``: how files of bars are read, and their bars in one clean file."""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
from pyarrow import parquet

from scanner.commands import output
from scanner.commands.recorded.row_notes import RowNotes
from scanner.commands.recorded.several import Troubles
from scanner.commands.trouble import UsageError
from scanner.market.bars import NO_BARS, NO_TIME, Bars
from scanner.market.guard import Guard
from scanner.market.sessions.timetables import Timetable
from scanner.present.reports import import_report
from scanner.replays.recordings import advised, begun, recordings
from scanner.replays.replay import MostlyRefusedError, Tally, checked_blocks

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from pathlib import Path

    from scanner.market.bars import RawBars
    from scanner.market.guard import Note
    from scanner.replays.recordings import Reading
    from scanner.replays.replay import Recording

    Write = Callable[[str, RawBars, Bars, Guard], None]
    """Takes the name of an instrument, rows, and the bars a guard made from them."""

ENDINGS = {".parquet", ".pq"}
SHOWN = 3
"""How many bars of each instrument are shown."""
NUMBERS = ("open", "high", "low", "close", "volume")


def run(paths: Sequence[Path], reading: Reading, out: Path | None) -> int:
    """Read files, write their bars if asked, and say how each was read; return the exit code."""
    if out is not None:
        if out.suffix.lower() not in ENDINGS:
            raise UsageError(f"--out {out}: bars are written as Parquet; the name must end in .parquet")
        output.not_among(str(out), "--out", paths)
    notes, troubles, read, refused = RowNotes(), Troubles(), list[_Read](), list[_Read]()
    with output.progress("reading") as on_progress, _writer(out) as write:
        for recording in recordings(paths, reading, on_progress, troubles.add):
            found = _Read(recording, Tally(recording.symbol, str(recording.path)))
            try:
                with troubles.of(found.tally):
                    found.take(reading, notes, write)
                    read.append(found)
            except MostlyRefusedError as problem:
                if out is not None and len(found.first):
                    raise  # some of its bars are written
                troubles.add(advised(problem, recording, reading))
                refused.append(found)
        if not read:
            _say_how_read(refused)
            return troubles.end(nothing_read=True)
    _say_how_read([*read, *refused])
    for found in read:
        output.say(*import_report.series_lines(found.tally, found.first, reading.tz), "")
    if out is not None:
        output.say(f"{sum(found.tally.bars for found in read):,} bars written to {out}")
    return troubles.end(nothing_read=False)


def _say_how_read(found: Sequence[_Read]) -> None:
    files = {file.path: file for each in found for file in each.recording.understood()}
    for file in files.values():
        output.say(*import_report.file_lines(file), "")


@dataclass(slots=True)
class _Read:
    """One recording: its tally, and its first bars."""

    recording: Recording
    tally: Tally
    first: Bars = NO_BARS

    def take(self, reading: Reading, on_note: Callable[[Note], None], write: Write) -> None:
        """Read it to its end; MostlyRefusedError as soon as more than a fifth of the rows is refused."""
        inputs, chunks = begun(reading, self.recording, self.tally)
        self.tally.timeframes = (inputs.base.name,)
        guard = Guard(Timetable(inputs.calendar, inputs.base), inputs.until)
        for raw, checked in checked_blocks(chunks, guard, self.tally, on_note):
            self.first = Bars.joined([self.first, checked.bars[: SHOWN - len(self.first)]])
            write(self.recording.symbol, raw, checked.bars, guard)


@contextmanager
def _writer(out: Path | None) -> Iterator[Write]:
    """Give a writer of bars to a file that appears only once it is complete; without a file it writes nothing."""
    if out is None:
        yield lambda *_: None
        return
    opened: list[parquet.ParquetWriter] = []
    with output.whole_file(str(out)) as stream:

        def write(symbol: str, raw: RawBars, bars: Bars, guard: Guard) -> None:
            table = _table(symbol, raw, bars, guard)
            if not opened:
                opened.append(parquet.ParquetWriter(stream, table.schema))
            if opened[0].schema != table.schema:
                raise UsageError(
                    f"--out {out}: some files hold daily bars and others intraday bars; import them into separate files"
                )
            opened[0].write_table(table)

        try:
            yield write
        finally:
            for writer in opened:
                writer.close()


def _table(symbol: str, raw: RawBars, bars: Bars, guard: Guard) -> pa.Table:
    """Lay bars out so that they are read back unchanged: days as dates, others by the moment they open."""
    if raw.stamp_kind == "date":
        stamps = raw.stamp[raw.stamp != NO_TIME]
        opens, _, _ = guard.timetable.spans(stamps, "date")
        known, places = np.unique(opens, return_index=True)
        days = stamps[places[np.searchsorted(known, bars.open_time)]]
        times = {"date": pa.array(days.astype("datetime64[ns]").astype("datetime64[D]"))}
    else:
        times = {"open time": pa.array(bars.open_time).cast(pa.timestamp("ns", "UTC"))}
    numbers = {name: pa.array(getattr(bars, name), from_pandas=True) for name in NUMBERS}
    symbols = pa.DictionaryArray.from_arrays(np.zeros(len(bars), dtype=np.int32), pa.array([symbol]))
    return pa.table({"symbol": symbols, **times, **numbers})
