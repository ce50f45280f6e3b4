"""``closewatch store`` and ``closewatch status`` as a user runs them."""

from __future__ import annotations

import os
import subprocess
import sys
from typing import TYPE_CHECKING

import pytest
from pyarrow import parquet

from scanner.service.store import Batch, Store
from tests.service.store.samples import GANNET, START, minute_bars, said, sent, update

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

RUN = [sys.executable, "-c", "from scanner.cli import main; main()"]
AS_ANYBODY = """
import ctypes, os, sys
for capability in 1, 2:  # to write and to read whatever permissions say, as root may (capabilities(7))
    ctypes.CDLL(None).prctl(24, capability, 0, 0, 0)  # from here on nobody started from here has it (prctl(2))
os.execv(sys.executable, [sys.executable, "-c", "from scanner.cli import main; main()", *sys.argv[1:]])
"""
UNPRIVILEGED = [sys.executable, "-c", AS_ANYBODY]
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


def closewatch(*words: str | Path, run: Sequence[str] = RUN) -> subprocess.CompletedProcess[str]:
    return subprocess.run([*run, *map(str, words)], capture_output=True, text=True, check=False, timeout=120)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Make a folder with a configuration and its store."""
    (tmp_path / "watch.toml").write_text(CONFIG, encoding="utf-8")
    with Store.open(tmp_path / "kept.db", lambda: START) as store:
        store.commit(Batch([update(GANNET, 0, 3_000)], said=[said(GANNET, 7, [])], sent=[sent(GANNET, 0, 3_000)]))
    return tmp_path


def test_a_sound_store_is_called_so_and_harm_is_named(folder: Path) -> None:
    done = closewatch("store", "check", "--config", folder / "watch.toml")
    assert (done.returncode, done.stdout, done.stderr) == (0, f"{folder / 'kept.db'} is sound.\n", "")
    with Store.open(folder / "kept.db", lambda: START) as store, store.database.writing() as connection:
        connection.execute("UPDATE recording SET rows = 6")
    harmed = closewatch("store", "check", folder / "kept.db")
    assert (harmed.returncode, harmed.stdout) == (1, "recording 1: it has 3000 rows, 6 should be there\n")
    assert "put a copy in its place" in harmed.stderr


def test_compaction_removes_only_what_a_configuration_says_and_never_beside_the_station(folder: Path) -> None:
    with Store.open(folder / "kept.db", lambda: START):
        refused = closewatch("store", "compact", folder / "kept.db")
        assert refused.returncode == 2
        assert f"another closewatch (process {os.getpid()}) is using this store" in refused.stderr
        assert closewatch("store", "check", folder / "kept.db").returncode == 0
    by_path = closewatch("store", "compact", folder / "kept.db")
    assert by_path.stdout.startswith(f"{folder / 'kept.db'}: removed 0 bars, 0 events and 0 recorded rows"), (
        by_path.stderr
    )
    by_config = closewatch("store", "compact", "--config", folder / "watch.toml")
    with Store.open(folder / "kept.db", lambda: START) as store:
        (stored,) = store.bars.load([GANNET])
    assert 500 <= len(stored.bars) < 500 + 256
    removed = f"removed {3_000 - len(stored.bars):,} bars, 1 events and 3,000 recorded rows"
    assert by_config.stdout.startswith(f"{folder / 'kept.db'}: {removed}")


def test_in_a_store_that_was_played_days_are_those_of_the_recording(folder: Path) -> None:
    text = CONFIG.replace('type = "folder"', 'type = "recorded"').replace("keep_days = 1", "keep_days = 3")
    (folder / "watch.toml").write_text(text, encoding="utf-8")
    done = closewatch("store", "compact", "--config", folder / "watch.toml")
    assert ", 0 events and 0 recorded rows" in done.stdout, done.stderr
    with Store.open(folder / "kept.db", lambda: START) as store:
        store.commit(Batch([update(GANNET, 3_000, 2_000)]))  # by the last of these minutes, three days are over
    done = closewatch("store", "compact", "--config", folder / "watch.toml")
    assert ", 1 events and 3,000 recorded rows" in done.stdout, done.stderr


def test_an_export_is_all_that_the_store_has(folder: Path) -> None:
    done = closewatch("store", "export", "--config", folder / "watch.toml", "--to", folder / "tables")
    assert done.returncode == 0, done.stderr
    tables = folder / "tables"
    assert f"{tables / 'bars_1m.parquet'}: 3,000 rows" in done.stdout.splitlines()
    bars = parquet.read_table(tables / "bars_1m.parquet")
    assert bars.column("close").to_pylist() == minute_bars(0, 3_000).close.tolist()
    assert {path.name for path in tables.iterdir()} == {
        line.split(":")[0].rpartition("/")[2] for line in done.stdout.splitlines()
    }


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["check"], "say which store"),
        (["check", "HERE/kept.db", "--config", "HERE/watch.toml"], "say which store"),
        (["compact", "HERE/nowhere.db"], "HERE/nowhere.db: there is no store here"),
        (["export", "HERE/nowhere.db", "--to", "HERE/tables"], "HERE/nowhere.db: there is no store here"),
    ],
)
def test_what_cannot_be_done_is_one_sentence_and_leaves_nothing_behind(
    tmp_path: Path, words: list[str], sentence: str
) -> None:
    done = closewatch("store", *(word.replace("HERE", str(tmp_path)) for word in words))
    assert done.returncode in {1, 2}
    assert done.stderr.startswith("closewatch: " + sentence.replace("HERE", str(tmp_path)))
    assert done.stderr.count("\n") == 1
    assert list(tmp_path.iterdir()) == []


def test_status_says_whether_anybody_is_looking(folder: Path) -> None:
    alone = closewatch("status", folder / "watch.toml")
    assert alone.returncode == 0, alone.stderr
    assert alone.stdout.startswith("The station loft is not running: nobody is looking at its series.\n")
    with Store.open(folder / "kept.db", lambda: START):
        beside = closewatch("status", folder / "watch.toml")
    assert beside.stdout.startswith(f"The station loft is running (process {os.getpid()}).\n")
    (row,) = [line for line in beside.stdout.splitlines() if line.startswith("GANNET")]
    assert "late" in next(line for line in beside.stdout.splitlines() if line.startswith("coast"))
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
    def run(*words: str | Path) -> tuple[int, str, str]:
        done = closewatch(*words, run=UNPRIVILEGED)
        return done.returncode, done.stdout, done.stderr

    config, store, tables = locked_up / "watch.toml", locked_up / "kept.db", locked_up.parent / "tables"
    assert run("store", "check", store) == (0, f"{store} is sound.\n", "")
    assert run("store", "export", store, "--to", tables)[1].startswith(f"{tables / 'bars_1m.parquet'}: 3,000 rows\n")
    assert run("status", config)[1].startswith("The station loft is not running")
    refused = run("store", "compact", store)[2]
    assert refused == f"closewatch: {store}: Permission denied; see that its folder is there and may be written to\n"
    refused = run("outbox", "retry", "--config", config, "1")[2]
    assert refused.startswith(f"closewatch: {store}: the file or its folder is read-only; allow writing there")
    assert sorted(each.name for each in locked_up.iterdir()) == ["kept.db", "kept.db.lock", "watch.toml"]
    locked_up.chmod(0o755)  # the file alone may not be written to
    assert run("store", "check", store) == (0, f"{store} is sound.\n", "")
    store.chmod(0o000)
    sentence = f"closewatch: {store}: the file may not be read by this user; allow it\n"
    assert run("store", "check", "--config", config) == (1, "", sentence)


def test_changes_that_wait_in_the_log_are_not_passed_over(locked_up: Path) -> None:
    store = locked_up / "kept.db"
    locked_up.chmod(0o755)
    with Store.open(locked_up.parent / "other.db", lambda: START) as other:
        other.commit(Batch([update(GANNET, 0, 10)]))
        (locked_up / "kept.db-wal").write_bytes((locked_up.parent / "other.db-wal").read_bytes())
    locked_up.chmod(0o555)
    done = closewatch("store", "check", store, run=UNPRIVILEGED)
    assert done.returncode == 1
    assert done.stderr.startswith(f"closewatch: {store}: nothing may be written here, but the last changes, in ")
