"""Running worlds in parallel processes, and finding the smallest one that still fails."""

from __future__ import annotations

import gc
import logging
import multiprocessing
import os
import tempfile
import time
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from traceback import format_exc
from typing import TYPE_CHECKING

import structlog

from tests.worlds.plan import Plan
from tests.worlds.world import Parts, World

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

MEMORY = Path("/dev/shm")  # noqa: S108 - a disk in memory; each world has a folder of its own in it
SEARCHED_EVERY = 25
"""Worlds after which a process collects reference cycles; it does not search for them in between."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """The result of one world, and the seconds of processor time it took."""

    plan: Plan
    faults: tuple[str, ...]
    counts: Counter[str] = field(default_factory=Counter)
    seconds: float = 0.0


def outcome(plan: Plan, parts: Callable[[], Parts] = Parts) -> Outcome:
    """Run a world; a traceback counts as a fault."""
    begun = time.process_time()
    counts: Counter[str] = Counter()
    with tempfile.TemporaryDirectory(dir=MEMORY if MEMORY.is_dir() else None, prefix="closewatch-world-") as folder:
        try:
            world = World(plan, Path(folder), parts())
            world.run()
            faults, counts = world.faults, world.counts
            counts["lives"] += world.life
        except Exception:  # noqa: BLE001 - whatever breaks, the world is to be seen again
            faults = [f"the world broke: {format_exc()}"]
    return Outcome(plan, tuple(faults), counts, time.process_time() - begun)


@contextmanager
def silent() -> Iterator[None]:
    """Write no log."""
    before = structlog.get_config()
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.CRITICAL))
    logging.disable(logging.CRITICAL)
    try:
        yield
    finally:
        structlog.configure(**before)
        logging.disable(logging.NOTSET)


def _several(seeds: Sequence[int]) -> list[Outcome]:
    gc.disable()
    with silent():
        found = [outcome(Plan.of(seed)) for seed in seeds]
    gc.collect()
    return found


def outcomes(seeds: Sequence[int], processes: int | None = None) -> Iterator[Outcome]:
    """Run the worlds of some seeds, on all cores."""
    parts = [seeds[at : at + SEARCHED_EVERY] for at in range(0, len(seeds), SEARCHED_EVERY)]
    count = min(processes or len(os.sched_getaffinity(0)), len(parts))
    if count == 1:
        for part in parts:
            yield from _several(part)
        return
    with workers(count) as pool:
        for found in pool.map(_several, parts):
            yield from found


def workers(count: int) -> ProcessPoolExecutor:
    """Start processes which, unlike those of a ``multiprocessing.Pool``, may have others help them compile."""
    return ProcessPoolExecutor(count, multiprocessing.get_context("spawn"))


def smallest(plan: Plan, fails: Callable[[Plan], bool]) -> Plan:
    """Switch off kinds of mischief, and shorten the world, for as long as it still fails."""
    for kind in sorted(plan.kinds):
        smaller = replace(plan, kinds=plan.kinds - {kind})
        if fails(smaller):
            plan = smaller
    step = plan.bars // 2
    while step:
        smaller = replace(plan, bars=plan.bars - step)
        if smaller.bars > 0 and fails(smaller):
            plan = smaller
        else:
            step //= 2
    return plan
