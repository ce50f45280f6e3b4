"""``closewatch store`` and ``closewatch status`` as a user runs them."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import pytest
from pyarrow import parquet

from scanner.store import Batch, Store, StoreTroubleError
from tests.commands.typed import as_anybody, by_permissions, closewatch
from tests.store.samples import GANNET, START, minute_bars, said, sent, update

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

CONFIG = """
[station]
name = "loft"
store = "kept.db"
keep_bars = 500
keep_days = 1
[feeds.coast]
type = "folder"
path = "."
[instruments.GANNET]
feed = "coast"
calendar = "24/7"
timeframes = ["1m"]
step = "0.01"
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Make a folder with a configuration and its store."""
    (tmp_path / "watch.toml").write_text(CONFIG, encoding="utf-8")
    with Store.open(tmp_path / "kept.db", lambda: START) as store:
        store.commit(Batch([update(GANNET, 0, 3_000)], said=[said(GANNET, 7, [])], sent=[sent(GANNET, 0, 3_000)]))
    return tmp_path


def test_a_sound_store_is_called_so_and_harm_is_named(folder: Path) -> None:
    done = closewatch("store", "check", "--config", folder / "watch.toml")
    assert done == (0, f"{folder / 'kept.db'} is sound.\n", "")
    with Store.open(folder / "kept.db", lambda: START) as store, store.database.writing() as connection:
        connection.execute("UPDATE recording SET rows = 6")
    harmed = closewatch("store", "check", folder / "kept.db")
    assert (harmed.code, harmed.out) == (1, "recording 1: it has 3000 rows, 6 should be there\n")
    assert "put a copy in its place" in harmed.err


def test_compaction_removes_only_what_a_configuration_says_and_never_beside_the_station(folder: Path) -> None:
    with Store.open(folder / "kept.db", lambda: START):
        refused = closewatch("store", "compact", folder / "kept.db")
        assert refused.code == 2
        assert f"another closewatch (process {os.getpid()}) is using this store" in refused.err
        assert closewatch("store", "check", folder / "kept.db").code == 0
    by_path = closewatch("store", "compact", folder / "kept.db")
    assert by_path.out.startswith(f"{folder / 'kept.db'}: removed 0 bars, 0 events and 0 recorded rows"), by_path.err
    by_config = closewatch("store", "compact", "--config", folder / "watch.toml")
    with Store.open(folder / "kept.db", lambda: START) as store:
        (stored,) = store.bars.load([GANNET])
    assert 500 <= len(stored.bars) < 500 + 256
    removed = f"removed {3_000 - len(stored.bars):,} bars, 1 events and 3,000 recorded rows"
    assert by_config.out.startswith(f"{folder / 'kept.db'}: {removed}")


def test_in_a_store_that_was_played_days_are_those_of_the_recording(folder: Path) -> None:
    text = CONFIG.replace('type = "folder"', 'type = "recorded"').replace("keep_days = 1", "keep_days = 3")
    (folder / "watch.toml").write_text(text, encoding="utf-8")
    done = closewatch("store", "compact", "--config", folder / "watch.toml")
    assert ", 0 events and 0 recorded rows" in done.out, done.err
    with Store.open(folder / "kept.db", lambda: START) as store:
        store.commit(Batch([update(GANNET, 3_000, 2_000)]))  # by the last of these minutes, three days are over
    done = closewatch("store", "compact", "--config", folder / "watch.toml")
    assert ", 1 events and 3,000 recorded rows" in done.out, done.err


def test_an_export_is_all_that_the_store_has(folder: Path) -> None:
    done = closewatch("store", "export", "--config", folder / "watch.toml", "--to", folder / "tables")
    assert done.code == 0, done.err
    tables = folder / "tables"
    assert f"{tables / 'bars_1m.parquet'}: 3,000 rows" in done.out.splitlines()
    bars = parquet.read_table(tables / "bars_1m.parquet")
    assert bars.column("close").to_pylist() == minute_bars(0, 3_000).close.tolist()
    assert {path.name for path in tables.iterdir()} == {
        line.split(":")[0].rpartition("/")[2] for line in done.out.splitlines()
    }


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["check"], "name the station by one of these"),
        (["check", "HERE/kept.db", "--config", "HERE/watch.toml"], "name the station by one of these"),
        (["check", "HERE/watch.toml"], "HERE/watch.toml is a configuration, not a store: give it as --config"),
        (["compact", "HERE/nowhere.db"], "HERE/nowhere.db: there is no store here"),
        (["export", "HERE/nowhere.db", "--to", "HERE/tables"], "HERE/nowhere.db: there is no store here"),
    ],
)
def test_what_cannot_be_done_is_one_sentence_and_leaves_nothing_behind(
    tmp_path: Path, words: list[str], sentence: str
) -> None:
    done = closewatch("store", *(word.replace("HERE", str(tmp_path)) for word in words))
    assert done.code in {1, 2}
    assert done.err.startswith("closewatch: " + sentence.replace("HERE", str(tmp_path)))
    assert done.err.count("\n") == 1
    assert list(tmp_path.iterdir()) == []


def test_status_says_whether_anybody_is_looking(folder: Path) -> None:
    alone = closewatch("status", folder / "watch.toml")
    assert alone.code == 0, alone.err
    assert alone.out.startswith("The station loft is not running: nobody is looking at its series.\n")
    with Store.open(folder / "kept.db", lambda: START):
        beside = closewatch("status", folder / "watch.toml")
    assert beside.out.startswith(f"The station loft is running (process {os.getpid()}).\n")
    (row,) = [line for line in beside.out.splitlines() if line.startswith("GANNET")]
    assert "late" in next(line for line in beside.out.splitlines() if line.startswith("coast"))
    assert row.split()[:3] == ["GANNET", "1m", "coast"]


@pytest.fixture
def locked_up(folder: Path) -> Iterator[Path]:
    """Make a folder with a store in which nothing may be written."""
    inside = folder / "locked"
    inside.mkdir()
    for name in ("kept.db", "kept.db.lock", "watch.toml"):
        (folder / name).rename(inside / name)
        (inside / name).chmod(0o444)
    inside.chmod(0o555)
    yield inside
    inside.chmod(0o755)


def test_a_store_that_may_only_be_read_is_read(locked_up: Path) -> None:
    config, store, tables = locked_up / "watch.toml", locked_up / "kept.db", locked_up.parent / "tables"
    assert as_anybody("store", "check", store) == (0, f"{store} is sound.\n", "")
    assert as_anybody("store", "export", store, "--to", tables)[1].startswith(
        f"{tables / 'bars_1m.parquet'}: 3,000 rows\n"
    )
    assert as_anybody("status", config)[1].startswith("The station loft is not running")
    refused = as_anybody("store", "compact", store)[2]
    assert refused == f"closewatch: {store}: Permission denied; check that its folder exists and is writable\n"
    refused = as_anybody("outbox", "retry", "--config", config, "1")[2]
    assert refused.startswith(f"closewatch: {store}: the file or its folder is read-only; allow writing there")
    assert sorted(each.name for each in locked_up.iterdir()) == ["kept.db", "kept.db.lock", "watch.toml"]
    locked_up.chmod(0o755)  # the file alone may not be written to
    assert as_anybody("store", "check", store) == (0, f"{store} is sound.\n", "")
    store.chmod(0o000)
    sentence = f"closewatch: {store}: the file may not be read by this user; allow it\n"
    assert as_anybody("store", "check", "--config", config) == (1, "", sentence)


def test_a_station_does_not_start_on_a_store_that_it_may_not_write_to(locked_up: Path) -> None:
    locked_up.chmod(0o755)
    (locked_up / "kept.db.lock").chmod(0o644)
    with pytest.raises(StoreTroubleError, match="the file or its folder is read-only; allow writing there"):
        by_permissions(lambda: Store.open(locked_up / "kept.db", lambda: START))


def test_changes_that_wait_in_the_log_are_not_passed_over(locked_up: Path) -> None:
    store = locked_up / "kept.db"
    locked_up.chmod(0o755)
    with Store.open(locked_up.parent / "other.db", lambda: START) as other:
        other.commit(Batch([update(GANNET, 0, 10)]))
        (locked_up / "kept.db-wal").write_bytes((locked_up.parent / "other.db-wal").read_bytes())
    locked_up.chmod(0o555)
    done = as_anybody("store", "check", store)
    assert done.code == 1
    assert done.err.startswith(f"closewatch: {store}: nothing may be written here, but the last changes, in ")
