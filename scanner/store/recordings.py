"""Everything the feeds sent, in order of arrival, so that any day can be replayed as it was."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from scanner.market.bars import ROW_COLUMNS, RawBars
from scanner.store.packing import PackedRows, pack, unpack
from scanner.store.trouble import DamagedError

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Iterator, Mapping, Sequence

    from numpy.typing import NDArray

    from scanner.store.bars import BarLog
    from scanner.store.packing import Table
    from scanner.store.series import SeriesKey

MERGE_CHUNKS = 256
"""Number of small chunks from which they are due for merging."""
LARGE_ROWS = 4_096
"""A chunk of this many rows is not merged."""


@dataclass(frozen=True, slots=True)
class Sent:
    """Rows of one series as its feed sent them."""

    key: SeriesKey
    raw: RawBars


@dataclass(frozen=True, slots=True)
class SentRows:
    """Rows of many series of one source, ``counts`` of each one after the other; all could be read."""

    keys: Sequence[SeriesKey]
    counts: NDArray[np.int64]
    raw: RawBars


@dataclass(frozen=True, slots=True)
class Arrived:
    """Rows of one series as they came, and when (nanoseconds since 1970 UTC)."""

    series: int
    raw: RawBars
    arrived: int


class Recordings:
    """The rows of all feeds, many series to a chunk; small chunks are merged later."""

    def __init__(self, bars: BarLog) -> None:
        self._bars = bars

    def append(self, connection: sqlite3.Connection, sent: Sequence[Sent], arrived: int) -> None:
        """Write rows in a transaction of ``BarLog.writing``; their series are added, if they are new."""
        sent = [each for each in sent if len(each.raw)]
        if sent:
            numbers = self._bars.numbered(connection, [each.key for each in sent]).tolist()
            recorded = [Arrived(number, each.raw, arrived) for number, each in zip(numbers, sent, strict=True)]
            _write(connection, _rows(recorded), arrived, None, merged=False)

    def append_rows(self, connection: sqlite3.Connection, sent: SentRows, arrived: int) -> None:
        """Write rows in columns, as ``append`` would."""
        raw = sent.raw
        if len(raw):
            note = {"origins": [(raw.source, raw.stamp_kind)], "origin": [], "arrived": [arrived], "unreadable": {}}
            numbers = self._bars.numbered(connection, sent.keys)
            _write(
                connection, PackedRows(numbers, sent.counts, _table([raw]), _note(note)), arrived, None, merged=False
            )

    @staticmethod
    def all(connection: sqlite3.Connection) -> Iterator[list[Arrived]]:
        """Give all rows, chunk by chunk, in the order of arrival."""
        for (number,) in connection.execute("SELECT number FROM recording ORDER BY number").fetchall():
            yield chunk(connection, number)

    @staticmethod
    def merge(connection: sqlite3.Connection, *, all_of_them: bool = False) -> int:
        """Merge the oldest adjacent small chunks into one; return how many, 0 if none is due."""
        small = connection.execute(
            "SELECT number, rows FROM recording WHERE merged = 0 ORDER BY number LIMIT ?", (LARGE_ROWS,)
        ).fetchall()
        if len(small) < (1 if all_of_them else MERGE_CHUNKS):
            return 0
        (large,) = connection.execute(
            "SELECT min(number) FROM recording WHERE merged = 1 AND number > ?", (small[0][0],)
        ).fetchone()
        numbers, rows = [], 0
        for number, count in small:
            if rows >= LARGE_ROWS or (large is not None and number > large):
                break
            numbers.append(number)
            rows += count
        recorded = [each for number in numbers for each in chunk(connection, number)]
        connection.execute("DELETE FROM recording WHERE number BETWEEN ? AND ?", (numbers[0], numbers[-1]))
        _write(connection, _rows(recorded), recorded[-1].arrived, numbers[0], merged=True)
        return len(numbers)


def _write(connection: sqlite3.Connection, rows: PackedRows, arrived: int, number: int | None, *, merged: bool) -> None:
    count = rows.table.shape[1]
    connection.execute(
        "INSERT INTO recording VALUES (?, ?, ?, ?, ?)",
        (number, arrived, count, merged or count >= LARGE_ROWS, pack(rows)),
    )


def _rows(recorded: Sequence[Arrived]) -> PackedRows:
    raws = [each.raw for each in recorded]
    origins = [(raw.source, raw.stamp_kind) for raw in raws]
    different = {origin: index for index, origin in enumerate(dict.fromkeys(origins))}
    note = {
        "origins": list(different),
        "origin": [different[origin] for origin in origins] if len(different) > 1 else [],
        "arrived": _if_varied([each.arrived for each in recorded]),
        "unreadable": {
            index: {row: raw.unreadable[row] for row in raw.row.tolist() if row in raw.unreadable}
            for index, raw in enumerate(raws)
            if raw.unreadable
        },
    }
    return PackedRows(
        np.array([each.series for each in recorded], dtype=np.int64),
        np.array([len(raw) for raw in raws], dtype=np.int64),
        _table(raws),
        _note(note),
    )


def _table(raws: Sequence[RawBars]) -> Table:
    return np.stack([np.concatenate([getattr(raw, name) for raw in raws]).view(np.int64) for name in ROW_COLUMNS])


def _note(note: Mapping[str, object]) -> bytes:
    return json.dumps(note, separators=(",", ":")).encode()


def _if_varied(times: list[int]) -> list[int]:
    return times if len(set(times)) > 1 else times[:1]


def chunk(connection: sqlite3.Connection, number: int) -> list[Arrived]:
    """Read one chunk; DamagedError if it is damaged."""
    found = connection.execute("SELECT data FROM recording WHERE number = ?", (number,)).fetchone()
    if found is None:
        raise DamagedError(f"recording {number} is missing")
    rows = unpack(found[0], f"recording {number}")
    note: dict[str, Any] = json.loads(rows.note)
    origins, origin, arrived = note["origins"], note["origin"], note["arrived"]
    stamps, numbers, prices = rows.table[0], rows.table[6], rows.table[1:6].view(np.float64)
    recorded, end = [], 0
    for index, (series, count) in enumerate(zip(rows.ids.tolist(), rows.counts.tolist(), strict=True)):
        part = slice(end, end := end + count)
        source, kind = origins[origin[index] if origin else 0]
        unreadable = {int(row): text for row, text in note["unreadable"].get(str(index), {}).items()}
        first, high, low, last, volume = prices[:, part]
        raw = RawBars(stamps[part], first, high, low, last, volume, numbers[part], source, kind, unreadable)
        recorded.append(Arrived(series, raw, arrived[index] if len(arrived) > 1 else arrived[0]))
    return recorded
