"""An older store becomes a present one step by step, and a step that fails leaves it as it was."""

from __future__ import annotations

import sqlite3
from typing import TYPE_CHECKING

import pytest

from scanner.service.store.schema import MIGRATIONS, prepare

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
