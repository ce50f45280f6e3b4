"""An older store is migrated step by step, and a step that fails leaves it unchanged."""

from __future__ import annotations

import json
import shutil
import sqlite3
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from scanner.store import Store, StoreTroubleError
from scanner.store.schema import FIRST_VERSION, MIGRATIONS, prepare
from scanner.store.upkeep.check import check
from tests.store.samples import GANNET, START, said

if TYPE_CHECKING:
    from pathlib import Path

SECOND = "ALTER TABLE series ADD COLUMN remark TEXT; UPDATE series SET remark = instrument;"
BROKEN = "CREATE TABLE extra (a); INSERT INTO nowhere VALUES (1);"


@pytest.fixture
def connection(tmp_path: Path) -> sqlite3.Connection:
    opened = sqlite3.connect(tmp_path / "old.db", isolation_level=None)
    prepare(opened, MIGRATIONS)
    opened.execute("INSERT INTO series VALUES (1, 'GANNET', '1m', 0, 0, 0, x'')")
    return opened


def test_an_older_store_is_migrated_once_and_keeps_what_it_has(connection: sqlite3.Connection) -> None:
    for _ in range(2):
        prepare(connection, (*MIGRATIONS, SECOND))
        assert connection.execute("SELECT instrument, remark FROM series").fetchall() == [("GANNET", "GANNET")]
        assert connection.execute("PRAGMA user_version").fetchone() == (len(MIGRATIONS) + 1,)
    connection.close()


def test_a_step_that_fails_leaves_no_trace(connection: sqlite3.Connection) -> None:
    with pytest.raises(sqlite3.OperationalError, match="nowhere"):
        prepare(connection, (*MIGRATIONS, SECOND, BROKEN))
    assert connection.execute("PRAGMA user_version").fetchone() == (len(MIGRATIONS) + 1,)
    assert connection.execute("SELECT count(*) FROM sqlite_master WHERE name = 'extra'").fetchone() == (0,)
    assert connection.execute("SELECT remark FROM series").fetchall() == [("GANNET",)]
    connection.close()


def test_a_copy_without_the_log_of_a_store_in_use_is_not_taken_for_an_old_one(tmp_path: Path) -> None:
    with Store.open(tmp_path / "used.db", lambda: START):
        shutil.copy(tmp_path / "used.db", tmp_path / "copy.db")
        with pytest.raises(StoreTroubleError, match=r"it is empty; if it was copied .*: copy copy\.db-wal as well"):
            Store.open(tmp_path / "copy.db", lambda: START, visiting=True)


def test_the_events_of_a_store_without_checksums_get_them_and_are_read_as_before(tmp_path: Path) -> None:
    path = tmp_path / "old.db"
    old = sqlite3.connect(path, isolation_level=None)
    prepare(old, [FIRST_VERSION])
    event = replace(said(GANNET, 7).event, data={"price": 0.1 + 0.2, "name": "Ærfugl"})
    old.execute(
        "INSERT INTO event (id, kind, time, subject, source, thread, data, series, sinks, said) "
        "VALUES (?, ?, ?, ?, ?, ?, ?, NULL, 0, ?)",
        (event.id, event.kind, event.time, event.subject, event.source, event.thread, json.dumps(event.data), START),
    )
    old.close()
    with pytest.raises(StoreTroubleError, match="this is the store of an older closewatch; run"):
        Store.open(path, lambda: START, visiting=True)
    with Store.open(path, lambda: START) as store:
        assert [kept.event for kept in store.events.find()] == [event]
        assert check(store) == []
