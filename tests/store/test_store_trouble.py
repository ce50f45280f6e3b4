"""Whatever happens to the file, the user gets one sentence, and the store is as before the batch."""

from __future__ import annotations

import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import pytest

from scanner.store import Batch, SeriesKey, Store, StoredSeries, StoreTroubleError
from scanner.store.lock import Holder, holder
from scanner.store.upkeep.check import check
from scanner.store.upkeep.export import export
from tests.effort import EFFORT
from tests.store.child import SERIES, batch
from tests.store.samples import FULMAR, GANNET, START, said, same_bars, sent, update

HOUSE = Path(__file__).parents[2]


def clock() -> int:
    return START


def child(path: Path, *words: str) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "tests.store.child", str(path), *words]
    return subprocess.Popen(command, cwd=HOUSE, stdout=subprocess.PIPE, text=True)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Give the path of a store with some bars of two series, half of them folded, an event and a recording."""
    path = tmp_path / "closewatch.db"
    with Store.open(path, clock) as store:
        store.commit(Batch([update(GANNET, 0, 700), update(FULMAR, 0, 300)], sent=[sent(GANNET, 0, 700)]))
        with store.bars.writing() as connection:
            store.bars.fold(connection, 0)
        store.commit(Batch([update(GANNET, 700, 50)], said=[said(GANNET, 720)]))
    return path


def test_after_a_kill_at_any_moment_every_batch_is_whole_or_absent(tmp_path: Path) -> None:
    path, seed = tmp_path / "closewatch.db", int.from_bytes(os.urandom(4), "big")
    chance = random.Random(seed)
    reached = [0]
    for _ in range(6 * EFFORT):
        with child(path, "kill") as process:
            assert process.stdout is not None
            begun = int(process.stdout.readline())
            assert begun >= reached[-1], f"seed {seed}: batches were lost"
            for _ in range(chance.randrange(1, 6)):
                process.stdout.readline()
            time.sleep(chance.uniform(0, 0.02))  # the kill comes at any moment of the child's work
            process.send_signal(signal.SIGKILL)
        reached.append(begun)
        with Store.open(path, clock) as store:
            (count,) = {len(series.bars) for series in store.bars.load(SERIES)} or {0}
            assert check(store) == [], f"seed {seed}"
            whole = [each.event.id for minute in range(count) for each in batch(minute).said]
            assert [kept.event.id for kept in store.events.find()] == whole, f"seed {seed}"
            assert sorted(each.event.id for each in store.outbox.list(sink="mqtt")) == sorted(whole)
            with store.database.reading() as connection:
                rows = sum(len(each.raw) for chunk in store.recordings.all(connection) for each in chunk)
            assert rows == count * len(SERIES), f"seed {seed}"
            remembered = store.bars.remembered(SERIES)
            for series in store.bars.load(SERIES):
                (expected,) = (each for each in batch(count - 1).updates if each.key == series.key)
                assert remembered[series.key][0] == expected.state
                assert same_bars(series.bars[-1:], expected.bars)
    assert reached[-1] > 6 * EFFORT, f"seed {seed}: hardly anything was committed"


@pytest.mark.parametrize("limit", [200_000, 333_333, 500_000])
def test_a_full_disk_costs_nothing_but_the_batch_that_it_refused(tmp_path: Path, limit: int) -> None:
    # A limit on the size of files stands for a full disk: the write fails in the same place.
    with child(tmp_path / "closewatch.db", "full", str(limit)) as process:
        told, kept = (process.communicate(timeout=60)[0]).splitlines()
    assert told.startswith(f"{tmp_path}/closewatch.db: the disk")
    assert told.endswith("nothing of the last change was kept; check whether it is full or failing")
    minute = int(kept.split()[0])
    assert minute > 0
    assert kept == f"{minute} {{{minute}}} {{{minute + 1}}} []"


def test_sqlite_itself_out_of_space_is_called_a_full_disk(path: Path) -> None:
    with Store.open(path, clock) as store:
        with store.database.plain() as connection:
            (pages,) = connection.execute("PRAGMA page_count").fetchone()
            connection.execute(f"PRAGMA max_page_count = {pages}")
        with pytest.raises(StoreTroubleError, match=r"the disk is full, nothing of .* was kept; free some space"):
            store.commit(Batch([update(GANNET, 750, 50_000)]))
        store.commit(Batch([update(GANNET, 750, 1)]))
        assert check(store) == []


def test_a_second_owner_is_refused_and_told_who_has_the_store(path: Path) -> None:
    with (
        Store.open(path, clock),
        pytest.raises(StoreTroubleError, match=rf"another closewatch \(process {os.getpid()}\) is using this store"),
    ):
        Store.open(path, clock)
    Store.open(path, clock).close()


def test_the_lock_dies_with_its_process(tmp_path: Path) -> None:
    path = tmp_path / "closewatch.db"
    with child(path, "kill") as process:
        assert process.stdout is not None
        process.stdout.readline()
        with pytest.raises(StoreTroubleError, match=rf"process {process.pid}"):
            Store.open(path, clock)
        process.kill()
    Store.open(path, clock).close()


def test_with_its_lock_file_removed_a_store_still_has_one_owner(tmp_path: Path) -> None:
    path = tmp_path / "closewatch.db"
    with child(path, "kill") as process:
        try:
            assert process.stdout is not None
            process.stdout.readline()
            path.with_name("closewatch.db.lock").unlink()
            with pytest.raises(StoreTroubleError, match="another closewatch is using this store; stop it first"):
                Store.open(path, clock)
            assert holder(path) == Holder("?", "")
        finally:
            process.kill()
    Store.open(path, clock).close()
    assert holder(path) is None


def test_only_its_owner_can_read_a_store(tmp_path: Path) -> None:
    path, before = tmp_path / "closewatch.db", os.umask(0o022)
    try:
        with Store.open(path, clock) as store:
            store.commit(Batch([update(GANNET, 0, 9)], said=[said(GANNET, 7)], sent=[sent(GANNET, 0, 9)]))
            export(store, tmp_path / "tables")
            files = [each for each in tmp_path.rglob("*") if each.is_file()]
            assert len(files) == 4 + 4
            assert {each.stat().st_mode & 0o777 for each in files} == {0o600}
    finally:
        os.umask(before)


def test_another_program_that_locks_the_file_is_waited_for_and_then_named(path: Path) -> None:
    other = sqlite3.connect(path, isolation_level=None)
    with Store.open(path, clock, patience=0.05) as store:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(StoreTroubleError, match=r"another program keeps the file locked, nothing .* was kept"):
            store.commit(Batch([update(GANNET, 750, 1)]))
        other.execute("ROLLBACK")
        store.commit(Batch([update(GANNET, 750, 1)]))
    other.close()


PAIR = [GANNET, FULMAR]


def test_damage_is_reported_and_never_returned_as_bars(path: Path, tmp_path: Path) -> None:
    with Store.open(path, clock) as store:
        sound, kept = {each.key: each.bars for each in store.bars.load(PAIR)}, store.bars.remembered(PAIR)
    whole, seed = path.read_bytes(), int.from_bytes(os.urandom(4), "big")
    chance, told = random.Random(seed), 0
    for number in range(60):
        harmed, at = bytearray(whole), chance.randrange(len(whole) - 64)
        harmed[at : at + 64] = chance.randbytes(64)
        victim = tmp_path / f"{number}.db"
        victim.write_bytes(harmed)
        found, remembered, trouble = read_all(victim)
        for each in found:
            assert same_bars(each.bars, sound[each.key]), f"seed {seed}, byte {at}"
        assert remembered.items() <= kept.items(), f"seed {seed}, byte {at}"
        told += trouble
    assert told, f"seed {seed}"


def read_all(path: Path) -> tuple[list[StoredSeries], dict[SeriesKey, tuple[bytes, bytes]], bool]:
    """Read all that is readable in a store, and say whether it reported trouble."""
    found: list[StoredSeries] = []
    kept: dict[SeriesKey, tuple[bytes, bytes]] = {}
    try:
        with Store.open(path, clock) as store:
            kept = store.bars.remembered(PAIR)
            found.extend(store.bars.load(PAIR))
            return found, kept, bool(check(store))
    except StoreTroubleError:
        return found, kept, True


def test_a_page_that_does_not_fit_its_checksum_is_named(path: Path) -> None:
    with Store.open(path, clock) as store:
        with store.database.writing() as connection:
            (data,) = connection.execute("SELECT data FROM page WHERE series = 1 AND number = 1").fetchone()
            harmed = bytes([*data[:-9], data[-9] ^ 1, *data[-8:]])
            connection.execute("UPDATE page SET data = ? WHERE series = 1 AND number = 1", (harmed,))
        with pytest.raises(StoreTroubleError, match=r"the file is damaged \(page 1 of series 1 cannot be read\)"):
            list(store.bars.load([GANNET], 500))
        assert len(list(store.bars.load([FULMAR]))) == 1


def test_a_state_that_is_no_bytes_is_named(path: Path) -> None:
    with Store.open(path, clock) as store:
        with store.database.writing() as connection:
            connection.execute("UPDATE series SET state = 5 WHERE id = 1")
        with pytest.raises(StoreTroubleError, match=r"the file is damaged \(the state of .* cannot be read\)"):
            store.bars.remembered(PAIR)


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda path: path.write_bytes(b"time,open,high,low,close\n" * 99), "this is not a closewatch store, or"),
        (lambda path: sqlite3.connect(path).execute("CREATE TABLE t (a)").connection.close(), "of another program"),
        (lambda path: path.mkdir(), "cannot be opened or made"),
    ],
)
def test_what_is_no_store_is_left_alone(tmp_path: Path, make: object, message: str) -> None:
    path = tmp_path / "closewatch.db"
    make(path)  # type: ignore[operator]  # parametrized, so an object
    before = path.is_dir() or path.read_bytes()
    with pytest.raises(StoreTroubleError, match=f"{path}: .*{message}"):
        Store.open(path, clock)
    assert before == (path.is_dir() or path.read_bytes())


def test_a_store_of_a_newer_version_is_left_alone(path: Path) -> None:
    with sqlite3.connect(path) as connection:
        connection.execute("PRAGMA user_version = 99")
    connection.close()
    with pytest.raises(StoreTroubleError, match=r"a newer closewatch wrote this store \(version 99, this one knows"):
        Store.open(path, clock)


def test_a_folder_that_is_missing_or_may_not_be_written_to_is_named(tmp_path: Path) -> None:
    for path in (tmp_path / "nowhere" / "closewatch.db", Path("/proc/closewatch.db")):
        with pytest.raises(StoreTroubleError, match=f"{path}: .*; check that its folder exists and is writable"):
            Store.open(path, clock)


def test_a_visitor_makes_nothing(tmp_path: Path) -> None:
    path = tmp_path / "closewatch.db"
    with pytest.raises(StoreTroubleError, match="there is no store here"):
        Store.open(path, clock, visiting=True)
    assert not list(tmp_path.iterdir())


def test_a_store_cut_short_is_called_damaged(path: Path, tmp_path: Path) -> None:
    short = tmp_path / "short.db"
    shutil.copy(path, short)
    os.truncate(short, path.stat().st_size // 2)
    with pytest.raises(StoreTroubleError, match="damaged"), Store.open(short, clock) as store:
        list(store.bars.load([GANNET, FULMAR]))
