"""The tables of a store, and how an older store is brought up to date."""

from __future__ import annotations

import sqlite3
from typing import TYPE_CHECKING

from scanner.store.packing import checksum_of
from scanner.store.trouble import StoreTroubleError, StoreUnusableError

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

APPLICATION_ID = 0x436C5761
"""Marks a database as ours in its header (SQLite file format, offset 68): ``ClWa``."""

FIRST_VERSION = """
CREATE TABLE series (
    id INTEGER PRIMARY KEY,
    instrument TEXT NOT NULL,
    timeframe TEXT NOT NULL,
    last_close INTEGER NOT NULL,  -- close time of the last bar; all times are nanoseconds since 1970 UTC
    bars INTEGER NOT NULL,        -- bars in the log
    pruned_to INTEGER NOT NULL,   -- close time of the last bar that retention removed
    state BLOB NOT NULL,          -- what the engine must remember, sealed
    UNIQUE (instrument, timeframe)
);
CREATE TABLE tail (               -- bars as they came: many series, few bars of each
    bucket INTEGER NOT NULL,
    number INTEGER NOT NULL,
    bars INTEGER NOT NULL,
    data BLOB NOT NULL,
    PRIMARY KEY (bucket, number)
);
CREATE TABLE page (               -- bars put in order: one series, many bars; older than those in the tail
    series INTEGER NOT NULL REFERENCES series,
    number INTEGER NOT NULL,
    bars INTEGER NOT NULL,
    last_close INTEGER NOT NULL,
    data BLOB NOT NULL,
    PRIMARY KEY (series, number)
);
CREATE TABLE restated (           -- what a bar was before the feed said otherwise
    series INTEGER NOT NULL REFERENCES series,
    open_time INTEGER NOT NULL,
    close_time INTEGER NOT NULL,
    open REAL NOT NULL,
    high REAL NOT NULL,
    low REAL NOT NULL,
    close REAL NOT NULL,
    volume REAL,
    noticed INTEGER NOT NULL
);
CREATE INDEX restated_series ON restated (series, close_time);
CREATE TABLE recording (          -- rows as the feeds sent them
    number INTEGER PRIMARY KEY,
    arrived INTEGER NOT NULL,
    rows INTEGER NOT NULL,
    merged INTEGER NOT NULL,
    data BLOB NOT NULL
);
CREATE TABLE event (
    number INTEGER PRIMARY KEY AUTOINCREMENT,
    id TEXT NOT NULL UNIQUE,
    kind TEXT NOT NULL,
    time INTEGER NOT NULL,
    subject TEXT NOT NULL,
    source TEXT NOT NULL,
    thread TEXT NOT NULL,
    data TEXT NOT NULL,
    series INTEGER REFERENCES series,  -- the series whose bar at ``time`` caused it; null where none did
    sinks INTEGER NOT NULL,            -- how many rows of the outbox it has
    said INTEGER NOT NULL
);
CREATE INDEX event_series ON event (series, time);
CREATE TABLE outbox (
    number INTEGER PRIMARY KEY,
    event INTEGER NOT NULL REFERENCES event,
    sink TEXT NOT NULL,
    thread TEXT NOT NULL,
    state TEXT NOT NULL CHECK (state IN ('waiting', 'delivered', 'dead', 'dropped')),
    attempts INTEGER NOT NULL DEFAULT 0,
    next_try INTEGER NOT NULL,
    changed INTEGER NOT NULL,
    error TEXT NOT NULL DEFAULT '',
    late INTEGER NOT NULL
);
CREATE INDEX outbox_event ON outbox (event);
CREATE INDEX outbox_waiting ON outbox (sink, thread, number) WHERE state = 'waiting';
"""

CHECKSUMS = """
ALTER TABLE event ADD COLUMN checksum INTEGER NOT NULL DEFAULT 0;
UPDATE event SET checksum = checksum_of(id, kind, time, subject, source, thread, data, series, sinks, said);
"""
"""So that a changed bit on the disk is detected in an event as it is in a bar."""

STORIES = """
CREATE INDEX event_thread ON event (thread);
CREATE INDEX outbox_thread ON outbox (thread);
CREATE TABLE decision (           -- what the user decided of a setup, or noted; never removed
    number INTEGER PRIMARY KEY AUTOINCREMENT,
    thread TEXT NOT NULL,         -- that of the events of the setup's story
    kind TEXT NOT NULL CHECK (kind IN ('take', 'pass', 'leave', 'note')),
    price TEXT,                   -- decimals as they were given; null where none were
    size TEXT,
    text TEXT NOT NULL,
    after INTEGER NOT NULL,       -- number of the last event of the story when it was made
    bar INTEGER NOT NULL,         -- close of the last bar of its series then; it counts from the next one on
    made INTEGER NOT NULL,
    checksum INTEGER NOT NULL
);
CREATE INDEX decision_thread ON decision (thread);
"""
"""The events of a setup are found at once, and the user's decisions on it are kept."""

CHECKPOINTS = """
CREATE TABLE checkpoint (         -- what the engines of a series held some bars ago, sealed
    series INTEGER PRIMARY KEY REFERENCES series,
    data BLOB NOT NULL
);
"""
"""So that a bar close writes what has changed, and not the windows of every series."""

MIGRATIONS: tuple[str, ...] = (FIRST_VERSION, CHECKSUMS, STORIES, CHECKPOINTS)
"""What leads from each version of the tables to the next, oldest first; never changed once released."""


def prepare(connection: sqlite3.Connection, migrations: Sequence[str] = MIGRATIONS) -> None:
    """Turn a new database into a store, and bring an older store up to date; each step is taken whole or not at all."""
    connection.create_function("checksum_of", -1, lambda *values: checksum_of(values), deterministic=True)
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    for number, script in enumerate(migrations[version:], version + 1):
        connection.execute("BEGIN IMMEDIATE")
        try:
            connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
            for statement in _statements(script):
                connection.execute(statement)
            connection.execute(f"PRAGMA user_version = {number}")
            connection.execute("COMMIT")
        except BaseException:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise


def check_present(connection: sqlite3.Connection, path: Path) -> None:
    """Raise StoreTroubleError if a database is not a store of exactly this version."""
    check_version(connection, path)
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    if not version:
        raise StoreTroubleError(
            f"{path}: it is empty; if it was copied while its station was running, what was in it is missing: "
            f"copy {path.name}-wal as well, or stop the station first"
        )
    if version < len(MIGRATIONS):
        raise StoreTroubleError(
            f"{path}: this is the store of an older closewatch; "
            "run `closewatch watch` or `closewatch store compact` once to bring it up to date"
        )


def check_version(connection: sqlite3.Connection, path: Path) -> None:
    """Raise StoreTroubleError if a database is not a store that this version can use or migrate."""
    (mark,) = connection.execute("PRAGMA application_id").fetchone()
    (tables,) = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    if mark != APPLICATION_ID and (mark or tables):
        raise StoreUnusableError(f"{path}: this is a database of another program; give another path for the store")
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    if version > len(MIGRATIONS):
        raise StoreUnusableError(
            f"{path}: a newer closewatch wrote this store (version {version}, this one knows {len(MIGRATIONS)}); "
            "install that one or give another path"
        )


def _statements(script: str) -> list[str]:
    """Split a script: the library's way to run it whole would commit the current transaction."""
    found, begun = [], ""
    for part in script.split(";")[:-1]:
        begun += part + ";"
        if sqlite3.complete_statement(begun):
            found.append(begun)
            begun = ""
    return found
