"""Studies that end early: at Ctrl-C, with a worker killed, a scheduler lost or no memory left."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from contextlib import contextmanager, suppress
from dataclasses import replace
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from pyarrow import parquet

from scanner.replays.recordings import Reading
from scanner.studies.running import PARTS, How, StudyError, study_files
from scanner.studies.stories.collecting import Asked
from scanner.wording.words import counted
from tests.commands.typed import RUN
from tests.studies.test_running import READING, table_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    from distributed import LocalCluster

SHOWS_BLOCKED = """
import signal
from scanner.studies.running import _context
with _context().Pool(1) as pool:
    print(signal.SIGINT in pool.apply(signal.pthread_sigmask, (signal.SIG_BLOCK, ())))
print(signal.SIGINT in signal.pthread_sigmask(signal.SIG_BLOCK, ()))
"""


def test_ctrl_c_reaches_no_process_of_a_study_however_early_it_comes() -> None:
    """In a process of its own: here, another test may have started the one that is forked."""
    done = subprocess.run([sys.executable, "-c", SHOWS_BLOCKED], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["True", "False"]


@contextmanager
def started(words: list[str], parts: Path) -> Iterator[subprocess.Popen[str]]:
    """Start a study, and wait for its first part."""
    with subprocess.Popen(
        [*RUN, "study", *words], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as process:
        try:
            end = time.monotonic() + 60
            while not (parts.is_dir() and any(parts.glob("*.arrow"))) and time.monotonic() < end:
                time.sleep(0.01)
            yield process
        finally:
            process.kill()


def started_and_stopped(words: list[str], parts: Path, sent: signal.Signals) -> subprocess.CompletedProcess[str]:
    """Start a study and stop it after the first part."""
    with started(words, parts) as process:
        process.send_signal(sent)
        out, told = process.communicate(timeout=60)
    return subprocess.CompletedProcess(words, process.returncode, out, told)


def test_workers_end_with_the_process_that_the_user_started_however_it_ends(tmp_path: Path) -> None:
    for number in range(8):
        parquet.write_table(table_of("nasdaq"), tmp_path / f"N{number}.parquet")
    with started(
        [str(tmp_path), "--workers", "2", "--out", str(tmp_path / "out")], tmp_path / "out" / PARTS
    ) as process:
        process.kill()
        process.communicate(timeout=60)  # until nobody holds its streams any more


@pytest.mark.parametrize(("sent", "code"), [(signal.SIGINT, 130), (signal.SIGTERM, 143)])
def test_a_stopped_study_says_what_is_kept_and_can_resume(tmp_path: Path, sent: signal.Signals, code: int) -> None:
    bars = tmp_path / "bars"
    bars.mkdir()
    for number in range(8):
        parquet.write_table(table_of("nasdaq"), bars / f"N{number:02}.parquet")
    out = tmp_path / "out"
    stopped = started_and_stopped([str(bars), "--workers", "2", "--out", str(out)], out / PARTS, sent)
    assert stopped.returncode == code, stopped.stderr
    assert f"what was done is kept in {out / PARTS}; run the same command to resume" in stopped.stderr
    assert "Traceback" not in stopped.stderr
    kept = {path: path.stat().st_mtime_ns for path in (out / PARTS).iterdir()}
    assert 0 < len(kept) < 8
    study, _ = study_files([bars], Reading(), Asked(), How(out, workers=1))
    assert study.series == 8
    assert {path: path.stat().st_mtime_ns for path in kept} == kept


def children(process: int) -> list[int]:
    return [int(each) for each in Path(f"/proc/{process}/task/{process}/children").read_text("utf-8").split()]


def kill(workers: Iterable[int]) -> None:
    """Kill processes as the kernel does if memory runs out."""
    for worker in workers:
        with suppress(ProcessLookupError):
            os.kill(worker, signal.SIGKILL)


def refused_study(tmp_path: Path, how: How, on_progress: Callable[[int, int], None]) -> str:
    """Study eight instruments; return the sentence of what stopped it, which says how many were kept."""
    paths = [tmp_path / f"N{number}.parquet" for number in range(8)]
    for path in paths:
        parquet.write_table(table_of("IBM"), path)
    with pytest.raises(StudyError) as told:
        study_files(paths, READING, Asked(), replace(how, folder=tmp_path), on_progress)
    kept = len(list((tmp_path / PARTS).glob("*.arrow")))
    assert 0 < kept < 8
    assert f" after {counted(kept, 'instrument')}" in str(told.value)
    assert f"; what was done is kept in {tmp_path / PARTS}; " in str(told.value)
    return str(told.value)


def test_a_killed_worker_is_one_sentence_and_what_was_done_is_kept(tmp_path: Path) -> None:
    def killing(*_: int) -> None:  # workers are children of the process from which they are forked
        kill(chain.from_iterable(map(children, children(os.getpid()))))

    sentence = refused_study(tmp_path, How(workers=2), killing)
    assert "a worker was killed" in sentence
    assert sentence.endswith("run the same again with fewer workers")


def test_where_memory_runs_out_one_sentence_says_what_is_kept(tmp_path: Path) -> None:
    def run_out(_done: int, _total: int) -> None:
        raise MemoryError

    parquet.write_table(table_of("IBM"), tmp_path / "N.parquet")
    with pytest.raises(
        StudyError, match=r"^memory ran out after 1 instrument; what was done is kept in .*fewer workers$"
    ):
        study_files([tmp_path / "N.parquet"], READING, Asked(), How(tmp_path, workers=1), run_out)


def test_a_killed_worker_of_a_cluster_is_the_same_sentence(cluster: LocalCluster, tmp_path: Path) -> None:
    assert cluster.scheduler is not None
    cluster.scheduler.allowed_failures = 0  # by default, a job must have killed four workers

    def killing(*_: int) -> None:
        kill(worker.pid for worker in cluster.workers.values())

    sentence = refused_study(tmp_path, How(cluster=cluster.scheduler_address), killing)
    assert "a worker was killed" in sentence
    assert sentence.endswith("run the same again with fewer workers")


def test_a_scheduler_that_goes_away_is_one_sentence(cluster: LocalCluster, tmp_path: Path) -> None:
    loop, scheduler = cluster.loop, cluster.scheduler
    assert loop is not None
    assert scheduler is not None

    def closing(*_: int) -> None:
        loop.add_callback(scheduler.close)

    sentence = refused_study(tmp_path, How(cluster=cluster.scheduler_address), closing)
    assert "the scheduler was lost" in sentence
