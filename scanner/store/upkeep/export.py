"""A store as Parquet files, which table programs and the feed ``recorded`` can read."""

from __future__ import annotations

import json
import os
from contextlib import ExitStack
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeVar
from urllib.parse import quote

import numpy as np

from scanner.clocks import DAY
from scanner.market.bars import NO_TIME, Bars
from scanner.store.bars import BarLog
from scanner.store.recordings import Recordings
from scanner.store.series import SeriesKey
from scanner.store.trouble import trouble
from scanner.store.upkeep.event_columns import COLUMNS, columns_of

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Iterable, Iterator, Sequence
    from pathlib import Path

    from scanner.store import Store
    from scanner.store.recordings import Arrived

Group = TypeVar("Group")
Member = TypeVar("Member")

ROWS = 100_000
"""Rows gathered before they are written."""
QUERIES = {
    "events.parquet": "SELECT number, id, kind, time, subject, source, thread, data, said FROM event ORDER BY number",
    "outbox.parquet": "SELECT o.number, e.id AS event, o.sink, o.state, o.attempts, o.next_try, o.changed, o.error, "
    "o.late FROM outbox o JOIN event e ON e.number = o.event ORDER BY o.number",
    "decisions.parquet": "SELECT number, thread, kind, price, size, text, after, bar, made FROM decision "
    "ORDER BY number",
    "restated.parquet": "SELECT s.instrument AS symbol, s.timeframe, r.open_time, r.close_time, r.open, r.high, "
    "r.low, r.close, r.volume, r.noticed FROM restated r JOIN series s ON s.id = r.series ORDER BY r.rowid",
}
MOMENTS = {"time", "said", "next_try", "changed", "open_time", "close_time", "noticed", "made"}
WHOLE = {"number", "attempts", "late", "after", "bar"}
PRICES = ("open", "high", "low", "close", "volume")
STAMPS = {"open": "open_time", "close": "close_time", "date": "date"}
"""The name of the column of times, which says what they mark."""


@dataclass(frozen=True, slots=True)
class Exported:
    """A file that was written."""

    path: Path
    rows: int

    def __str__(self) -> str:
        """Describe it in a line."""
        return f"{self.path}: {self.rows:,} rows"


def export(store: Store, folder: Path) -> list[Exported]:
    """Write everything in a store to a folder, created if missing; files of earlier exports are replaced.

    ``bars_*`` are the current bars, one file for each timeframe; ``recorded_*`` the rows as the feeds sent them,
    in order of arrival, one file for each timeframe and kind of time; the rest are events, deliveries, decisions and
    the old versions of restated bars. Besides all its data as JSON, an event has the columns of ``event_columns``. All
    are of one moment. StoreTroubleError leaves no file half written.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with ExitStack() as ending, store.database.reading() as connection:
            files = _Files(folder)
            ending.callback(files.discard)
            names = {
                number: SeriesKey(instrument, timeframe)
                for number, instrument, timeframe in connection.execute("SELECT id, instrument, timeframe FROM series")
            }
            _export_bars(files, connection)
            _export_recorded(files, connection, names)
            _export_rows(files, connection)
            return files.finish()
    except OSError as problem:
        raise trouble(folder, problem) from problem


class _Files:
    """Parquet files under temporary names, renamed when all are complete."""

    def __init__(self, folder: Path) -> None:
        import pyarrow as pa  # noqa: PLC0415 - only an export needs it
        from pyarrow import parquet  # noqa: PLC0415 - as above

        self._arrow, self._parquet, self._folder = pa, parquet, folder
        self._writers: dict[str, Any] = {}
        self._rows: dict[str, int] = {}

    def _temporary(self, name: str) -> Path:
        return self._folder / f".{name}.{os.getpid()}.part"

    def add(self, name: str, columns: dict[str, Any]) -> None:
        """Add rows to the file ``name``."""
        table = self._arrow.table(columns)
        if name not in self._writers:
            part = self._temporary(name)
            part.touch(0o600, exist_ok=False)  # only its owner may see what was watched and found
            self._writers[name] = self._parquet.ParquetWriter(
                part, table.schema, compression="zstd", write_page_checksum=True
            )
        self._writers[name].write_table(table)
        self._rows[name] = self._rows.get(name, 0) + len(table)

    def column(self, name: str, values: Sequence[Any]) -> Any:  # noqa: ANN401 - pyarrow publishes no types
        """Give a column of a table of the store, by its name."""
        if name in MOMENTS:
            return self.times(values)
        kind = (
            self._arrow.int64() if name in WHOLE else self._arrow.float64() if name in PRICES else self._arrow.string()
        )
        return self._arrow.array(values, kind)

    def flat(self, texts: Sequence[str]) -> dict[str, Any]:
        """Give the columns for the data of events, which is JSON."""
        rows = [columns_of(json.loads(text)) for text in texts]
        kinds = {
            "text": self._arrow.string(),
            "number": self._arrow.float64(),
            "whole": self._arrow.int64(),
            "truth": self._arrow.bool_(),
            "moment": self._arrow.timestamp("ns", tz="UTC"),
        }
        return {name: self._arrow.array([row[name] for row in rows], kinds[kind]) for name, kind in COLUMNS.items()}

    def times(self, nanoseconds: Any) -> Any:  # noqa: ANN401 - pyarrow publishes no types
        """Give a column of moments in UTC."""
        values = np.asarray(nanoseconds, dtype=np.int64)
        return self._arrow.array(values, self._arrow.timestamp("ns", tz="UTC"), mask=values == NO_TIME)

    def dates(self, nanoseconds: Any) -> Any:  # noqa: ANN401 - pyarrow publishes no types
        """Give a column of days."""
        values = np.asarray(nanoseconds, dtype=np.int64)
        days = np.where(values == NO_TIME, 0, values // DAY).astype(np.int32)
        return self._arrow.array(days, self._arrow.date32(), mask=values == NO_TIME)

    def repeated(self, texts: Sequence[str], counts: Sequence[int]) -> Any:  # noqa: ANN401 - pyarrow publishes no types
        """Give a column in which each text is repeated a number of times."""
        which = np.repeat(np.arange(len(texts), dtype=np.int32), counts)
        return self._arrow.array(texts, self._arrow.string()).take(self._arrow.array(which))

    def finish(self) -> list[Exported]:
        """Close all files and give them their final names."""
        for writer in self._writers.values():
            writer.close()
        for name in self._writers:
            self._temporary(name).replace(self._folder / name)
        return [Exported(self._folder / name, count) for name, count in sorted(self._rows.items())]

    def discard(self) -> None:
        """Remove what is left under a temporary name."""
        for name, writer in self._writers.items():
            writer.close()
            self._temporary(name).unlink(missing_ok=True)


def _export_bars(files: _Files, connection: sqlite3.Connection) -> None:
    def columns(group: Sequence[tuple[SeriesKey, Bars]]) -> dict[str, Any]:
        bars = Bars.joined([each for _, each in group])
        return {
            "symbol": files.repeated([key.instrument for key, _ in group], [len(each) for _, each in group]),
            "open_time": files.times(bars.open_time),
            "close_time": files.times(bars.close_time),
            **dict(zip(PRICES, bars.columns()[2:], strict=True)),
        }

    everything = ((key.timeframe, len(bars), (key, bars)) for key, bars in BarLog.everything(connection) if len(bars))
    for timeframe, group in _gathered(everything):
        files.add(_name("bars", timeframe), columns(group))


def _export_recorded(files: _Files, connection: sqlite3.Connection, names: dict[int, SeriesKey]) -> None:
    everything = (
        ((names[each.series].timeframe, each.raw.stamp_kind), len(each.raw), each)
        for chunk in Recordings.all(connection)
        for each in chunk
    )
    for (timeframe, kind), group in _gathered(everything):
        files.add(_name("recorded", timeframe, kind), _recorded_columns(files, group, names))


def _gathered(members: Iterable[tuple[Group, int, Member]]) -> Iterator[tuple[Group, list[Member]]]:
    """Gather members of one group until they have enough rows to be written."""
    waiting: dict[Group, tuple[int, list[Member]]] = {}
    for group, rows, member in members:
        count, found = waiting.pop(group, (0, []))
        found.append(member)
        if count + rows < ROWS:
            waiting[group] = count + rows, found
        else:
            yield group, found
    for group, (_, found) in waiting.items():
        yield group, found


def _recorded_columns(files: _Files, group: Sequence[Arrived], names: dict[int, SeriesKey]) -> dict[str, Any]:
    raws = [each.raw for each in group]
    counts = [len(raw) for raw in raws]
    stamps = np.concatenate([raw.stamp for raw in raws])
    kind = raws[0].stamp_kind
    return {
        "symbol": files.repeated([names[each.series].instrument for each in group], counts),
        STAMPS[kind]: files.dates(stamps) if kind == "date" else files.times(stamps),
        **{name: np.concatenate([getattr(raw, name) for raw in raws]) for name in PRICES},
        "arrived": files.times(np.repeat([each.arrived for each in group], counts)),
        "feed_row": np.concatenate([raw.row for raw in raws]),
        "feed_source": files.repeated([raw.source for raw in raws], counts),
        "unreadable": files.column("unreadable", [raw.unreadable.get(row) for raw in raws for row in raw.row.tolist()]),
    }


def _export_rows(files: _Files, connection: sqlite3.Connection) -> None:
    for name, query in QUERIES.items():
        cursor = connection.execute(query)
        keys = [description[0] for description in cursor.description]
        while rows := cursor.fetchmany(ROWS):
            columns = dict(zip(keys, zip(*rows, strict=True), strict=True))
            made = {key: files.column(key, values) for key, values in columns.items()}
            files.add(name, {**made, **(files.flat(columns["data"]) if "data" in columns else {})})


def _name(*parts: str) -> str:
    return quote("_".join(parts), safe="_") + ".parquet"
