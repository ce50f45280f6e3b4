"""What a world is like: a seed chooses how long it lasts and which kinds of mischief there are in it."""

from __future__ import annotations

from dataclasses import dataclass
from random import Random
from typing import Self

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
    "clock-leaps": "the clock is set ahead or back, and right again",
    "upkeep": "the store is tidied, pruned and, while nobody watches, compacted",
}
LONGEST = 26
"""Bars for which there is mischief, at the most, unless more are asked for."""
OFTEN = 0.5
"""How many of the worlds have a kind of mischief in them, as a part."""


@dataclass(frozen=True, slots=True)
class Plan:
    """A world: ``seed`` gives all numbers, ``bars`` says for how many bars of a minute ``kinds`` of mischief go on."""

    seed: int
    bars: int
    kinds: frozenset[str]

    @classmethod
    def of(cls, seed: int) -> Self:
        """Give the world of a seed."""
        chance = Random(f"world {seed}")
        bars = chance.randint(LONGEST // 3, LONGEST)
        return cls(seed, bars, frozenset(kind for kind in MISCHIEF if chance.random() < OFTEN))

    def chance(self, kind: str) -> Random:
        """Give the chance of one kind of thing, which does not hang on what other kinds there are."""
        return Random(f"world {self.seed} {kind}")

    @property
    def command(self) -> str:
        """What to type to see this world again."""
        usual = Plan.of(self.seed)
        words = f"python -m tests.worlds --one {self.seed}"
        if self.bars != usual.bars:
            words += f" --bars {self.bars}"
        if off := sorted(usual.kinds - self.kinds):
            words += f" --without {','.join(off)}"
        return words
