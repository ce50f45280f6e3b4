"""The least that a close could cost: parsing the same answers, and committing the same bytes in one transaction."""

from __future__ import annotations

import sqlite3
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import orjson

from scanner.store.packing import unpack
from tests.benchmarks.measures import best

if TYPE_CHECKING:
    from collections.abc import Callable

NUMBERED = ("tail", "event", "outbox", "recording")
"""Tables to which a close adds rows with higher numbers."""
SECOND = 1_000_000_000


@dataclass(frozen=True, slots=True)
class Before:
    """What a store contained before a close: the last number of each table, and the rows of each series."""

    numbers: dict[str, int]
    kept: dict[str, dict[Any, int]]

    @classmethod
    def of(cls, path: Path) -> Before:
        """Read a store that is not open."""
        with sqlite3.connect(path) as connection:
            return cls(
                {
                    name: connection.execute(f"SELECT coalesce(max(number), 0) FROM {name}").fetchone()[0]  # noqa: S608 - our words
                    for name in NUMBERED
                },
                {name: {row[0]: hash(row) for row in _all(connection, name)} for name in _of_series(connection)},
            )


def _of_series(connection: sqlite3.Connection) -> list[str]:
    """Name the tables that have one row per series."""
    known = {name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    return [name for name in ("series", "checkpoint") if name in known]


def _all(connection: sqlite3.Connection, name: str) -> sqlite3.Cursor:
    return connection.execute(f"SELECT * FROM {name}")  # noqa: S608 - our words


def least(path: Path, before: Before, answers: list[bytes], close: int) -> dict[str, float]:
    """Measure the least for the last close; ``answers`` are those of the server.

    Gives ``floor`` and ``read``, the least seconds of a close and of a start, ``floor_used``, those of the processor
    of a close, ``bytes``, how many were committed, and ``acknowledged``, after how many seconds 99 % of the deliveries
    were.
    """
    with sqlite3.connect(path) as connection:
        rows = {
            name: connection.execute(f"SELECT * FROM {name} WHERE number > ?", (number,)).fetchall()  # noqa: S608 - our words
            for name, number in before.numbers.items()
        }
        for name, known in before.kept.items():
            rows[name] = [row for row in _all(connection, name) if known.get(row[0]) != hash(row)]

    def parse() -> None:
        for body in answers:
            orjson.loads(body)

    return {
        "floor": best(parse, 5, time.perf_counter) + _committing(rows, time.perf_counter),
        "floor_used": best(parse, 5) + _committing(rows, time.process_time),
        "read": best(lambda: _read(path), 2, time.perf_counter),
        "bytes": float(sum(_size(value) for some in rows.values() for row in some for value in row)),
        "acknowledged": acknowledged(path, before.numbers["outbox"], close),
    }


def acknowledged(path: Path, after: int, close: int) -> float:
    """Give the seconds from a close until 99 % of its deliveries, those after a number, were acknowledged."""
    with sqlite3.connect(path) as connection:
        changed = connection.execute(
            "SELECT o.changed FROM outbox o JOIN event e ON e.number = o.event "
            "WHERE o.number > ? AND o.state = 'delivered' AND e.thread != ''",
            (after,),
        ).fetchall()
        waiting = connection.execute("SELECT count(*) FROM outbox WHERE state = 'waiting'").fetchone()[0]
    assert not waiting, f"{waiting} deliveries are still waiting"
    return float(np.percentile([(moment - close) / SECOND for (moment,) in changed], 99)) if changed else 0.0


def _size(value: object) -> int:
    return len(value) if isinstance(value, bytes | str) else 8


def _committing(rows: dict[str, list[tuple[Any, ...]]], clock: Callable[[], float]) -> float:
    """Give the seconds of one durable transaction that writes these rows into tables without any index."""
    taken = []
    for _ in range(5):
        with tempfile.TemporaryDirectory() as folder:
            connection = sqlite3.connect(Path(folder) / "least.db", isolation_level=None)
            connection.execute("PRAGMA journal_mode = WAL")
            connection.execute("PRAGMA synchronous = FULL")
            for name, some in rows.items():
                connection.execute(
                    f"CREATE TABLE {name} ({', '.join(f'c{k}' for k in range(len(some[0]) if some else 1))})"
                )
            begun = clock()
            connection.execute("BEGIN IMMEDIATE")
            for name, some in rows.items():
                if some:
                    connection.executemany(f"INSERT INTO {name} VALUES ({', '.join('?' * len(some[0]))})", some)  # noqa: S608 - our words
            connection.execute("COMMIT")
            taken.append(clock() - begun)
            connection.close()
    return min(taken)


def _read(path: Path) -> None:
    """Read all that a start needs from a store, and unpack the bars."""
    with sqlite3.connect(path) as connection:
        for name in _of_series(connection):
            _all(connection, name).fetchall()
        for name in ("tail", "page"):
            for (data,) in connection.execute(f"SELECT data FROM {name}"):  # noqa: S608 - our words
                unpack(data, name)
