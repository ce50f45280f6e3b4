"""Many feeds on several processes, with regular progress messages."""

from __future__ import annotations

import os
import signal
import sys
from multiprocessing import get_context
from time import monotonic
from typing import TYPE_CHECKING, TypeVar

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

TOLD_EVERY = 10.0
"""Seconds between two progress messages."""

W = TypeVar("W")
R = TypeVar("R")


def worked(what: str, work: Callable[[W], R], on: Sequence[W], workers: int) -> Iterator[R]:
    """Do the work on each of some plain values, in processes of its own, and give the results in order."""
    # Threads of several processes would wait for each other.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    begun = said = monotonic()
    with get_context("spawn").Pool(workers, _alone) as pool:
        for number, done in enumerate(pool.imap(work, on), start=1):
            yield done
            if monotonic() - said > TOLD_EVERY or number == len(on):
                said = monotonic()
                print(f"{what}: {number:,} of {len(on):,} feeds, {said - begun:.0f} s", file=sys.stderr, flush=True)


def _alone() -> None:
    """Leave Ctrl-C to the process that was started, and the machine to others first."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    os.nice(10)
