"""The plan of a world: a seed chooses its length, its kinds of mischief, and when each happens."""

from __future__ import annotations

import asyncio
from bisect import bisect
from collections import Counter
from contextlib import contextmanager
from dataclasses import dataclass
from random import Random
from typing import TYPE_CHECKING, Any, Self

from tests.worlds.disk import TROUBLES, copied, synced
from tests.worlds.exchange import BEGIN, SECOND
from tests.worlds.loop import KilledError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

Window = tuple[float, float, Any]
"""When it begins and ends, in seconds, and how it acts."""

MISCHIEF = {
    "kills": "the process is killed between any two of its steps",
    "power-cuts": "the machine loses power: what was not synced to the disk is gone or torn",
    "stops": "the station is told to stop and is started again later",
    "late-bars": "bars come late, after later ones, or never",
    "restated-bars": "the feed gives a wrong bar first and the right one later",
    "odd-rows": "answers hold rows twice, out of order, unreadable, still open, from earlier on, or only some",
    "feed-trouble": "the feed refuses, hangs, says nothing or breaks",
    "disk-errors": "what is written or read fails",
    "slow-disk": "the disk takes its time, up to most of a minute",
    "sink-trouble": "sinks refuse, fail, are slow, or take an event and do not say so",
    "decisions": "the user takes, passes, leaves and notes, twice too, and with a disk that fails meanwhile",
    "reloads": "the list changes: instruments, timeframes and rules, at a reload or a restart",
    "clock-jumps": "the clock is set ahead or back, and right again",
    "upkeep": "the store is tidied, pruned and, while nobody watches, compacted",
}
LONGEST = 26
"""Most bars with mischief, unless more are asked for."""
OFTEN = 0.5
"""Share of the worlds that have a given kind of mischief."""


@dataclass(frozen=True, slots=True)
class Plan:
    """A world: ``seed`` gives all numbers, ``kinds`` of mischief go on for ``bars`` one-minute bars."""

    seed: int
    bars: int
    kinds: frozenset[str]

    @classmethod
    def of(cls, seed: int) -> Self:
        """Give the world with this seed."""
        chance = Random(f"world {seed}")
        bars = chance.randint(LONGEST // 3, LONGEST)
        return cls(seed, bars, frozenset(kind for kind in MISCHIEF if chance.random() < OFTEN))

    def chance(self, kind: str) -> Random:
        """Give random numbers for one purpose, independent of all others."""
        return Random(f"world {self.seed} {kind}")

    @property
    def command(self) -> str:
        """The command that runs this world again."""
        usual = Plan.of(self.seed)
        words = f"python -m tests.worlds --one {self.seed}"
        if self.bars != usual.bars:
            words += f" --bars {self.bars}"
        if off := sorted(usual.kinds - self.kinds):
            words += f" --without {','.join(off)}"
        return words


@dataclass(slots=True)
class Doom:
    """How a process dies: after a number of steps, when a thread has done its work, or after a commit.

    ``committed`` counts the commits before, ``latest`` is when it dies in any case.
    """

    how: str
    mode: str
    steps: int
    committed: int
    latest: float


class Fate:
    """The time of a world, what goes wrong and when, and how its processes die."""

    def __init__(self, plan: Plan, path: Path) -> None:
        """Take the plan, and the ``path`` of the store of the first life."""
        self.plan, self.path = plan, path
        self.passed = 0.0
        self.end = plan.bars * 60.0
        """Seconds after which there is no more mischief."""
        self.counts: Counter[str] = Counter()
        self.faults: list[str] = []
        self.calm = False
        self.alive = False
        self.life = 0
        self.doomed: Doom | None = None
        self._observers = 0
        self._committed = 0
        self._synced = (b"", 0)
        self._draw()

    def _draw(self) -> None:
        chance = self.plan.chance("ends")
        self.is_pushed = chance.random() < 0.3
        self.goes_on = chance.random() < 0.5
        """Whether the last life continues when the mischief is over, or ends with it."""
        self.ends: list[tuple[float, str]] = []
        for kind, most in (("kills", 5), ("power-cuts", 3), ("stops", 3)):
            own = self.plan.chance(kind)
            if kind in self.plan.kinds:
                self.ends += [(own.uniform(0, self.end), kind) for _ in range(own.randint(1, most))]
        self.ends.sort()
        self.outages = self._windows("feed-trouble", 3, (20, 120, 600), ("refuses", "hangs", "is silent", "breaks"))
        self.bad_disk = self._windows("disk-errors", 2, (10, 60, 200), (0.3, 0.9))
        self.sinks_out = self._windows("sink-trouble", 3, (20, 120, 600), ("screen", "letters"))
        self.jumps = self._windows("clock-jumps", 3, (20, 120, 400), (-400.0, -45.0, -3.0, 3.0, 45.0, 400.0))
        self._disk = self.plan.chance("disk")
        self.kills = self.plan.chance("how it is killed")
        self._slow = self.plan.chance("slow")

    def _windows(self, kind: str, most: int, lengths: tuple[int, ...], hows: tuple[Any, ...]) -> list[Window]:
        chance = self.plan.chance(kind)
        if kind not in self.plan.kinds:
            return []
        begins = sorted(chance.uniform(0, self.end) for _ in range(chance.randint(1, most)))
        return [
            (begin, min(begin + chance.choice(lengths) * chance.uniform(0.5, 1), self.end), chance.choice(hows))
            for begin in begins
        ]

    def _within(self, windows: list[Window]) -> Any:  # noqa: ANN401 - how it is in that window
        place = bisect(windows, (self.passed, float("inf"))) - 1
        return windows[place][2] if place >= 0 and not self.calm and self.passed < windows[place][1] else None

    # What the clock shows.

    def true_time(self) -> int:
        """Give the time, in nanoseconds since 1970 UTC."""
        return BEGIN + round(self.passed * SECOND)

    def now(self) -> int:
        """Give what the clock shows, which may be wrong."""
        return self.true_time() + round((self._within(self.jumps) or 0.0) * SECOND)

    def wall_time(self, moment: int) -> float:
        """Give a moment in seconds."""
        return moment / SECOND

    async def sleep(self, seconds: float) -> None:
        """Wait."""
        await asyncio.sleep(seconds)

    async def until(self, passed: float) -> None:
        """Wait for some seconds of the world."""
        await asyncio.sleep(max(passed - self.passed, 0.0))

    # What may go wrong.

    def has(self, kind: str) -> bool:
        """Whether a kind of mischief is active now."""
        return not self.calm and kind in self.plan.kinds

    def count(self, what: str, times: int = 1) -> None:
        """Record something that happened."""
        if self.alive:
            self.counts[what] += times

    def fault(self, law: str, what: str) -> None:
        """Record that a law is broken."""
        self.faults.append(f"{law}: {what}")

    def lives(self, life: int) -> bool:
        """Whether a life goes on."""
        return self.alive and life == self.life

    def outage(self) -> str:
        """Say how the feed fails; empty if it does not."""
        return str(self._within(self.outages) or "") if self.alive else ""

    def sink_is_out(self, name: str) -> bool:
        """Whether a sink fails."""
        return self.alive and self._within(self.sinks_out) == name

    def disk_trouble(self, what: str) -> tuple[int, str] | None:
        """Give how a read or a write fails; None if it does not."""
        if not self.has("disk-errors") or self._observers or not self.alive:
            return None
        often = self._within(self.bad_disk) or 0.01
        if self._disk.random() >= (often if what == "write" else often / 8):
            return None
        self.count(f"disk {what} errors")
        return self._disk.choice(TROUBLES)

    @contextmanager
    def observed(self) -> Iterator[None]:
        """Let the disk work while the world is being inspected."""
        self._observers += 1
        try:
            yield
        finally:
            self._observers -= 1

    def delay(self) -> float:
        """Give the seconds that the next work in a thread takes."""
        if not self.has("slow-disk") or not self.alive:
            return 0.0
        draw = self._slow.random()
        if draw < 0.003:
            self.count("disk hangs")
            return self._slow.uniform(15, 50)
        return self._slow.uniform(0.02, 3.0) if draw < 0.1 else 0.001

    def kept(self, path: Path, *, durable: bool) -> None:
        """Note a write to the disk."""
        if path != self.path:
            return
        self._committed += 1
        if durable and "power-cuts" in self.plan.kinds and self.alive:
            self._synced = synced(path)

    # How a process dies.

    def doom(self, how: str, mode: str | None = None) -> None:
        """Let the process die soon: after some steps, or when a thread has done its work or committed."""
        steps = self.kills.choice((0, 1, 3, 8, 20))
        mode = mode or self.kills.choice(("steps", "thread", "commit", "commit"))
        self.doomed = Doom(how, mode, steps, self._committed, self.passed + 100)

    def step(self) -> None:
        """Count a step of the loop."""
        doom = self.doomed
        if doom is not None and self.alive:
            if self.passed > doom.latest or (doom.mode == "steps" and doom.steps <= 0):
                self.die(doom.how)
            doom.steps -= 1

    def done(self) -> None:
        """Note that a thread has done its work."""
        doom = self.doomed
        if doom is None or not self.alive:
            return
        if doom.mode == "thread" or (doom.mode == "commit" and self._committed > doom.committed):
            self.die(doom.how)

    def die(self, how: str) -> None:
        """Copy what remains on the disk, and end the process here."""
        self.count(how)
        cut = (self._synced, self.kills) if how == "power-cuts" else None
        to = self.path.with_name(f"{self.life}.db")
        self.counts["torn writes"] += copied(self.path, to, cut)
        self.alive, self.doomed = False, None
        self.path = to  # what happens in the dead process no longer matters
        raise KilledError(1)
