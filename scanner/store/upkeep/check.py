"""Whether a store is sound: SQLite's own checks, and what must hold between bars, events and deliveries."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from scanner.store.bars import LONG_AGO
from scanner.store.decisions import DECISION, decision_of
from scanner.store.events import EVENT_COLUMNS, event_of
from scanner.store.packing import Runs, unpack, unseal
from scanner.store.recordings import chunk
from scanner.store.trouble import DamagedError

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Iterator

    from scanner.store import Store
    from scanner.store.packing import Table


def check(store: Store) -> list[str]:
    """Check everything in a store; return one sentence for each thing that is wrong, none if it is sound.

    Reads one state of the store throughout, also beside a running owner. StoreTroubleError if SQLite cannot even read
    the file.
    """
    with store.database.reading() as connection:
        found = [
            f"SQLite finds: {text}" for (text,) in connection.execute("PRAGMA integrity_check(20)") if text != "ok"
        ]
        if found:
            return found
        return [
            *(
                f"a row of {row[0]} points to no row of {row[2]}"
                for row in connection.execute("PRAGMA foreign_key_check")
            ),
            *_check_series(connection),
            *_check_events(connection),
            *_check_decisions(connection),
            *_check_recordings(connection),
        ]


def _check_series(connection: sqlite3.Connection) -> Iterator[str]:
    try:
        chunks = connection.execute("SELECT number, data FROM tail ORDER BY number")
        tails = Runs.of([unpack(data, f"chunk {number} of the tail") for number, data in chunks]).by_series()
    except DamagedError as problem:
        yield f"{problem}"
        return
    for series, instrument, timeframe, last_close, bars, pruned_to, state, checkpoint in connection.execute(
        "SELECT id, instrument, timeframe, last_close, bars, pruned_to, state, data "
        "FROM series LEFT JOIN checkpoint ON series = id"
    ).fetchall():
        name = f"{instrument}/{timeframe}"
        try:
            unseal(state, f"the state of {name}")
            if checkpoint is not None:
                unseal(checkpoint, f"the checkpoint of {name}")
            closes = np.concatenate([*_pages(connection, series), tails.pop(series, np.empty((7, 0), np.int64))[1]])
        except DamagedError as problem:
            yield f"{name}: {problem}"
            continue
        if len(closes) != bars:
            yield f"{name}: {len(closes)} bars are in the log, {bars} should be"
        if (closes[1:] <= closes[:-1]).any() or (len(closes) and closes[0] <= pruned_to):
            yield f"{name}: its bars are not in order"
        if last_close != (closes[-1] if len(closes) else LONG_AGO):
            yield f"{name}: its last bar is not the one it should be"
        # A time that is not a whole number any more is reported with its event.
        times = connection.execute(
            "SELECT DISTINCT time FROM event WHERE series = ? AND time > ? AND typeof(time) = 'integer'",
            (series, pruned_to),
        )
        caused = np.array([time for (time,) in times], dtype=np.int64)
        was = connection.execute(
            "SELECT close_time FROM restated WHERE series = ? AND typeof(close_time) = 'integer'", (series,)
        )
        known = np.concatenate([closes, np.array([time for (time,) in was], dtype=np.int64)])
        for time in caused[~np.isin(caused, known)].tolist():
            yield f"{name}: an event is about a bar that is not in the log (close time {time})"
    yield from (f"the tail has bars of series {number}, which does not exist" for number in tails)


def _pages(connection: sqlite3.Connection, series: int) -> Iterator[Table]:
    for number, bars, last_close, data in connection.execute(
        "SELECT number, bars, last_close, data FROM page WHERE series = ? ORDER BY number", (series,)
    ):
        rows = unpack(data, f"page {number}")
        if rows.ids.tolist() != [series] or rows.table.shape[1] != bars or rows.table[1, -1] != last_close:
            raise DamagedError(f"page {number} holds other bars than it should")
        yield rows.table[1]


def _check_events(connection: sqlite3.Connection) -> Iterator[str]:
    for sinks, rows, *columns in connection.execute(
        "SELECT sinks, (SELECT count(*) FROM outbox WHERE outbox.event = e.number), "  # noqa: S608 - our words
        f"{EVENT_COLUMNS} FROM event e"
    ):
        try:
            event = event_of(columns)
        except DamagedError as problem:
            yield str(problem)
            continue
        if sinks != rows:
            yield f"event {event.id}: {rows} deliveries are in the outbox, {sinks} should be"


def _check_decisions(connection: sqlite3.Connection) -> Iterator[str]:
    for columns in connection.execute(DECISION).fetchall():
        try:
            decision = decision_of(columns)
        except DamagedError as problem:
            yield str(problem)
            continue
        found = connection.execute(
            "SELECT 1 FROM event WHERE number = ? AND thread = ?", (decision.after, decision.thread)
        ).fetchone()
        if found is None:
            yield f"decision {decision.number}: the event before it is missing"


def _check_recordings(connection: sqlite3.Connection) -> Iterator[str]:
    for number, rows in connection.execute("SELECT number, rows FROM recording").fetchall():
        try:
            found = sum(len(each.raw) for each in chunk(connection, number))
        except DamagedError as problem:
            yield str(problem)
            continue
        if found != rows:
            yield f"recording {number}: it has {found} rows, {rows} should be there"
