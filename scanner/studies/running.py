"""A study of files: its jobs on all cores or on a cluster, with finished parts kept, so that it can resume later."""

from __future__ import annotations

import os
import signal
import sys
from collections import deque
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, CancelledError, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass, replace
from itertools import chain, islice
from multiprocessing import get_context, parent_process, resource_tracker
from multiprocessing.forkserver import ensure_running, set_forkserver_preload
from threading import Thread, current_thread, main_thread
from typing import TYPE_CHECKING, Any, NamedTuple

from scanner.replays.recordings import recordings
from scanner.studies.jobs import TOGETHER, Done, Job, do_all, do_bundle, jobs_of, jobs_of_frames, look_at, settings_mark
from scanner.studies.parts import Part
from scanner.studies.stories.controls import draws_for
from scanner.studies.tables import Gathered
from scanner.wording.words import counted

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence
    from concurrent.futures import Executor
    from multiprocessing.context import BaseContext
    from pathlib import Path

    from scanner.replays.recordings import Reading
    from scanner.studies.schema import Study
    from scanner.studies.stories.collecting import Asked

PARTS = "parts"
"""The folder of parts in the folder of a study."""

AHEAD = 3
"""Bundles per worker that are handed out at a time: rows that were read already are in memory."""
LOOK = 0.2
"""Seconds between two looks at whether Ctrl-C or SIGTERM came."""
BUNDLES = 8
"""The fewest bundles per worker, if there are enough jobs."""


READY = "scanner.studies.ready"
"""The module that loads what processes need."""

PATIENCE = 10
"""Seconds to wait for a scheduler."""


class StudyError(Exception):
    """A study cannot be made; the message is one sentence that says why and what to do."""

    exit_code = 2


class StudyStoppedError(Exception):
    """A study was stopped; the message says what is kept of it."""

    exit_code = 130


@dataclass(frozen=True, slots=True)
class How:
    """Where a study keeps its parts, None for nowhere, and its number of processes or its cluster."""

    folder: Path | None = None
    workers: int = 0
    """0 means one per core."""
    cluster: str = ""


def study_files(
    paths: Sequence[Path],
    reading: Reading,
    asked: Asked,
    how: How,
    on_progress: Callable[[int, int], None] | None = None,
) -> tuple[Study, list[str]]:
    """Study files and folders of bars; return the study, and a sentence for each file that could not be read.

    ``on_progress`` receives the number of instruments done, and of all. StudyError if nothing can be read, or, saying
    what is kept, if a worker was killed, a scheduler lost or memory ran out; StudyStoppedError, as well, at a stop.
    """
    with _workers(how) as workers:
        files = look_at(paths, reading)
        asked = replace(asked, draws=min(asked.draws, draws_for(len(files.all))))
        troubles = list(files.troubles)
        if not files.all:
            raise StudyError("; ".join(troubles))
        total = len(files.alone) + len(files.shared)
        jobs = jobs_of(files, reading, asked, troubles)
        gathered = _gathered(jobs, total, troubles, how.folder, workers, on_progress)
    return gathered.study(settings_mark(reading), asked.seed), troubles


def study_frames(reading: Reading, asked: Asked, how: How) -> tuple[Study, list[str]]:
    """Study the tables in memory that a reading has, as ``study_files`` studies files."""
    try:
        found = list(recordings((), reading))
    except ValueError as problem:
        raise StudyError(str(problem)) from problem
    asked = replace(asked, draws=min(asked.draws, draws_for(len(found))))
    troubles: list[str] = []
    jobs = jobs_of_frames(found, reading, asked, troubles)
    with _workers(how) as workers:
        gathered = _gathered(jobs, len(found), troubles, how.folder, workers, None)
    return gathered.study(settings_mark(reading), asked.seed), troubles


def _gathered(
    jobs: Iterator[Job],
    total: int,
    troubles: list[str],
    folder: Path | None,
    workers: Workers | None,
    on_progress: Callable[[int, int], None] | None,
) -> Gathered:
    """Do all jobs and gather their parts; unreadable files are added to the troubles."""
    gathered = Gathered()
    try:
        number = 0
        for done in _all(jobs, total, folder, workers):
            troubles += done.troubles
            for part in map(Part.from_bytes, done.parts):
                gathered.add(part)
            number += done.jobs
            if on_progress is not None:
                on_progress(number, max(total, number))
    except (KeyboardInterrupt, BrokenExecutor, CancelledError, MemoryError) as problem:
        so_far = counted(len(gathered.rows), "instrument")
        where = "nothing is kept of it" if folder is None else f"what was done is kept in {folder / PARTS}"
        fewer = f"{where}; run the same again with fewer workers"
        if isinstance(problem, MemoryError):
            raise StudyError(f"memory ran out after {so_far}; {fewer}") from None
        if isinstance(problem, CancelledError):
            raise StudyError(f"the scheduler was lost after {so_far}; {where}; run the same again") from None
        if isinstance(problem, BrokenExecutor):
            raise StudyError(f"a worker was killed after {so_far}, perhaps because memory ran out; {fewer}") from None
        again = "" if folder is None else "; run the same command to resume"
        raise StudyStoppedError(f"stopped after {so_far}; {where}{again}") from None
    if not gathered.rows:
        raise StudyError(
            "; ".join(dict.fromkeys(troubles)) or "there is nothing to study; give files or tables of bars"
        )
    return gathered


def _all(jobs: Iterable[Job], total: int, folder: Path | None, workers: Workers | None) -> Iterator[Done]:
    """Do all jobs, about ``total``, and give their results as they come; what is kept already is not made again."""
    if folder is not None:
        folder = folder / PARTS
        folder.mkdir(parents=True, exist_ok=True)
    waiting: deque[Done] = deque()

    def missing() -> Iterator[Job]:
        for job in jobs:
            kept = _kept(job, folder)
            if kept is None:
                yield job
            else:
                waiting.append(kept)

    for done in _done(missing(), total, workers):
        if folder is not None:
            for part in chain.from_iterable(Part.from_bytes(content).alone() for content in done.parts):
                _keep(folder / f"{part.instruments[0].key}.arrow", part.to_bytes())
        yield done
        while waiting:
            yield waiting.popleft()
    yield from waiting


def _done(jobs: Iterator[Job], total: int, workers: Workers | None) -> Iterator[Done]:
    if workers is None:
        yield from do_all(jobs)
        return
    bundles = _bundled(jobs, max(1, min(total // (BUNDLES * workers.number), TOGETHER)))
    under_way: set[Future[list[Done]]] = set()
    with _interrupt_noted() as interrupt:
        try:
            while True:
                ahead = islice(bundles, AHEAD * workers.number - len(under_way))
                under_way |= {workers.executor.submit(do_bundle, bundle) for bundle in ahead}
                if not under_way:
                    return
                finished, under_way = wait(under_way, LOOK, FIRST_COMPLETED)
                interrupt()
                for future in finished:
                    yield from future.result()
        except workers.killed as problem:
            raise BrokenExecutor from problem
        finally:
            for future in under_way:
                future.cancel()


@contextmanager
def _interrupt_noted() -> Iterator[Callable[[], None]]:
    """Note Ctrl-C and SIGTERM, and let them act where the function that this gives is called.

    Acting wherever it comes, one may leave a lock of an executor locked, for which the process then waits at its end.
    """
    noted: list[int] = []
    before = {each: signal.getsignal(each) for each in (signal.SIGINT, signal.SIGTERM)}
    handlers = {each: handler for each, handler in before.items() if callable(handler)}  # else it is not Python's

    def interrupt() -> None:
        for number in noted:
            handlers[signal.Signals(number)](number, None)

    if current_thread() is not main_thread():
        yield interrupt
        return
    for each in handlers:
        signal.signal(each, lambda number, _: noted.append(number))
    try:
        yield interrupt
    finally:
        for each, handler in handlers.items():
            signal.signal(each, handler)


def _bundled(jobs: Iterator[Job], together: int) -> Iterator[list[Job]]:
    """Bundle jobs, since each transfer costs time; jobs with rows in memory go alone."""
    bundle: list[Job] = []
    for job in jobs:
        if job.rows:
            yield [job]
            continue
        bundle.append(job)
        if len(bundle) == together:
            yield bundle
            bundle = []
    if bundle:
        yield bundle


class Workers(NamedTuple):
    """What carries out jobs: an executor, its number of workers, and the error it raises if one was killed."""

    executor: Executor
    number: int
    killed: type[Exception]


@contextmanager
def _workers(how: How) -> Iterator[Workers | None]:
    """Give what carries out the jobs; None for this process alone."""
    number = how.workers or os.cpu_count() or 1
    if number == 1 and not how.cluster:
        yield None
        return
    if not how.cluster:
        executor = ProcessPoolExecutor(number, _context(), _begin_worker)
        try:
            yield Workers(executor, number, BrokenProcessPool)
        finally:
            executor.shutdown(wait=False, cancel_futures=True)  # the figures need not wait for processes to end
        return
    try:
        from distributed import Client, KilledWorker  # noqa: PLC0415 - an optional extra
    except ImportError:
        raise StudyError("--cluster needs the library dask: install closewatch with its extra `cluster`") from None
    try:
        client: Any = Client(how.cluster, timeout=PATIENCE)  # type: ignore[no-untyped-call]  # the function has no types
    except (OSError, ValueError) as problem:
        reason = " ".join(str(problem).split())
        raise StudyError(f"--cluster {how.cluster}: no scheduler answers ({reason}); start it first") from None
    with client:
        threads = sum(client.nthreads().values())
        if not threads:
            raise StudyError(f"--cluster {how.cluster}: it has no worker; start some first")
        yield Workers(client.get_executor(pure=False), threads, KilledWorker)


def _begin_worker() -> None:
    """Leave Ctrl-C to the process that the user started, but end with it, however it ends."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    parent_process().join()  # type: ignore[union-attr]  # a worker has one
    os._exit(1)


def _context() -> BaseContext:
    """Say how processes are started: on Linux, from one that loads most of what they need while files are looked at.

    Elsewhere, libraries of the system may not be forked. That process would look for modules in the current folder
    first, where there may be others of the same name; it is told to look where this one does.
    """
    if sys.platform != "linux":
        return get_context("spawn")
    set_forkserver_preload([READY])
    told = {"PYTHONSAFEPATH": "1", "PYTHONPATH": os.pathsep.join(map(os.path.abspath, sys.path))}
    before = {name: os.environ.get(name) for name in told}
    os.environ.update(told)
    # Ctrl-C is for the process that the user started, also while the other begins. The tracker would unblock it.
    resource_tracker.ensure_running()
    signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        ensure_running()
    except OSError:  # the path of its socket, among the temporary files, is too long
        return get_context("spawn")
    finally:
        signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})
        for name, value in before.items():
            del os.environ[name]
            if value is not None:
                os.environ[name] = value
    return get_context("forkserver")


def _kept(job: Job, folder: Path | None) -> Done | None:
    """Give what was kept of a job, None if there is nothing, or it is damaged."""
    if folder is None:
        return None
    try:
        content = (folder / f"{job.key}.arrow").read_bytes()
        Part.from_bytes(content)
    except (OSError, ValueError):
        return None
    return Done(1, (content,))


def _keep(path: Path, content: bytes) -> None:
    """Write a part whole or not at all."""
    part = path.with_suffix(f".{os.getpid()}.part")
    try:
        part.write_bytes(content)
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)
