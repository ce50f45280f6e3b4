"""Cases: how one is made, its result, and a pool of processes that run many."""

from __future__ import annotations

import multiprocessing
import os
import resource
import signal
import tempfile
import traceback
import warnings
from dataclasses import dataclass
from importlib import import_module
from multiprocessing.connection import Connection, wait
from pathlib import Path
from random import Random
from time import monotonic, perf_counter
from typing import TYPE_CHECKING, Any, Literal, Protocol

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from types import FrameType

    from tests.fuzz.onward import Found

MOST_SECONDS = 2.0
"""Most seconds for one input."""
GIVEN_UP = 20.0
"""Seconds of silence after which a process is killed: it is stuck in code that no signal reaches."""
MOST_MEMORY = 500
"""Most megabytes of a process."""
OURS = ("/scanner/", "/adapters/")

End = Literal["taken", "refused", "nothing", "fault", "hang", "memory"]


class Case(Protocol):
    """One input, ready to be read; its repr shows it."""

    def run(self) -> Found:
        """Read it; any exception is a fault."""


class Kind(Protocol):
    """A module that makes cases of one kind."""

    COUNT: int
    WHAT: str

    def make(self, random: Random, folder: Path) -> Case:
        """Make a random case; ``folder`` is an empty folder for its files."""

    def warm_up(self) -> None:
        """Load and compile beforehand what the first case needs."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """The result of one case; ``where`` identifies a fault, ``trace`` is its full account."""

    number: int
    end: End
    seconds: float
    memory: int
    where: str = ""
    trace: str = ""


class TooLongError(BaseException):
    """A case took too long. No handler of ordinary exceptions catches this."""


def case_of(kind: Kind, name: str, seed: int, number: int, folder: Path) -> Case:
    """Make a case, which depends only on these arguments."""
    return kind.make(Random(f"{seed} {name} {number}"), folder)


def outcome(kind: Kind, name: str, seed: int, number: int, most_seconds: float = MOST_SECONDS) -> Outcome:
    """Run one case. One that takes too long is run again, since other programs may have slowed it down."""
    found = _once(kind, name, seed, number, most_seconds)
    return _once(kind, name, seed, number, most_seconds) if found.end == "hang" else found


def _once(kind: Kind, name: str, seed: int, number: int, most_seconds: float) -> Outcome:
    def stop(_: int, __: FrameType | None) -> None:
        raise TooLongError

    end: End
    where = trace = ""
    with tempfile.TemporaryDirectory(prefix="closewatch-fuzz-") as folder:
        case = case_of(kind, name, seed, number, Path(folder))
        signal.signal(signal.SIGALRM, stop)
        begun = perf_counter()
        signal.setitimer(signal.ITIMER_REAL, most_seconds)
        try:
            found = case.run()
            signal.setitimer(signal.ITIMER_REAL, 0)
        except TooLongError as problem:
            end, where, trace = "hang", _where(problem), traceback.format_exc()
        except Exception as problem:  # noqa: BLE001 - any exception is what the fuzzing looks for
            signal.setitimer(signal.ITIMER_REAL, 0)
            end, where, trace = "fault", _where(problem), traceback.format_exc()
        else:
            end = "taken" if found.bars else "refused" if found.sentences else "nothing"
        seconds = perf_counter() - begun
    if seconds > most_seconds and end != "hang":
        end, where = "hang", f"{where or 'it ended'}, after {seconds:.1f} s"
    return Outcome(number, end, seconds, _megabytes(), where, trace)


def _megabytes() -> int:
    """Give the most memory that this process has had, in MB.

    ``getrusage`` on Linux includes the process before an exec, and the test that starts this one may be large itself.
    """
    status = Path("/proc/self/status")
    if not status.exists():
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss >> 10
    peak = next(line for line in status.read_text(encoding="ascii").splitlines() if line.startswith("VmHWM:"))
    return int(peak.split()[1]) >> 10


def _where(problem: BaseException) -> str:
    """Name an exception and the last place in the program that it passed, or the fault that a case itself reports."""
    if isinstance(problem, AssertionError):
        return str(problem).partition(":")[0]
    frames = [*traceback.extract_tb(problem.__traceback__)]
    if isinstance(problem, TooLongError):
        frames.pop()  # that of the signal
    ours = next((each for each in reversed(frames) if any(part in each.filename for part in OURS)), frames[-1])
    path = Path(ours.filename)
    return f"{type(problem).__name__} in {ours.name}, {path.parent.name}/{path.name}:{ours.lineno}"


def _work(module: str, name: str, seed: int, numbers: range, most_seconds: float, pipe: Connection) -> None:
    """Run cases in their own process, and report each."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    warnings.simplefilter("ignore")
    kind: Any = import_module(module)
    kind.warm_up()
    for number in numbers:
        found = outcome(kind, name, seed, number, most_seconds)
        pipe.send(found)
        if found.memory > MOST_MEMORY:
            return  # the peak of a process never falls, so start another
    pipe.close()


class _Worker:
    """A process that runs every n-th case, and is replaced if it dies."""

    def __init__(self, start: Callable[[range, Connection], Any], numbers: range) -> None:
        self._start = start
        self.left = numbers
        self.begin()

    def begin(self) -> None:
        self.pipe, theirs = multiprocessing.Pipe(duplex=False)
        self.process = self._start(self.left, theirs)
        theirs.close()
        self.heard = monotonic()
        self.warm = False

    def outcomes(self) -> Iterator[Outcome]:
        """Give the reports so far; a process that has ended, or is silent for too long, has met a fault."""
        try:
            while self.pipe.poll():
                found: Outcome = self.pipe.recv()
                self.heard, self.warm, self.left = monotonic(), True, self.left[1:]
                if found.memory > MOST_MEMORY and found.end not in {"fault", "hang"}:
                    found = Outcome(found.number, "memory", found.seconds, found.memory, "it took too much memory")
                yield found
        except EOFError:
            self.process.join()
            if self.left and self.process.exitcode:
                yield self._lost("fault", f"the process died with {self.process.exitcode}")
            elif self.left:
                self.begin()
            return
        silent = monotonic() - self.heard
        if silent > (GIVEN_UP if self.warm else 10 * GIVEN_UP):
            self.process.kill()
            yield self._lost("hang", f"nothing was heard for {silent:.0f} s")

    def _lost(self, end: End, where: str) -> Outcome:
        number, self.left = self.left[0], self.left[1:]
        if self.left:
            self.begin()
        return Outcome(number, end, monotonic() - self.heard, 0, where)


def outcomes(module: str, name: str, seed: int, count: int, most_seconds: float = MOST_SECONDS) -> Iterator[Outcome]:
    """Run cases on all cores, in no particular order."""
    context = multiprocessing.get_context("spawn")

    def start(numbers: range, pipe: Connection) -> Any:  # noqa: ANN401 - a process of the context
        process = context.Process(target=_work, args=(module, name, seed, numbers, most_seconds, pipe), daemon=True)
        process.start()
        return process

    cores = len(os.sched_getaffinity(0))
    workers = [_Worker(start, range(first, count, cores)) for first in range(min(cores, count))]
    try:
        while workers:
            wait([each.pipe for each in workers], timeout=1)
            for worker in workers:
                yield from worker.outcomes()
            workers = [each for each in workers if each.left]
    finally:
        for each in workers:
            each.process.kill()
