"""A kind of case whose reader is faulty on purpose, to check that the fuzzing finds it."""

from __future__ import annotations

import os
import signal
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING

from tests.fuzz.onward import Found

if TYPE_CHECKING:
    from pathlib import Path
    from random import Random

COUNT = 40
WHAT = "planted cases"
FAULTS = ("raises", "waits", "dies", "hides")
"""What a case does; faults are rare, most cases are accepted or refused as they should be."""


@dataclass(frozen=True)
class Planted:
    """A case with a planted behaviour."""

    does: str

    def run(self) -> Found:
        """Do it."""
        found = Found(bars=int(self.does == "is taken"))
        match self.does:
            case "raises":
                raise KeyError("planted")
            case "waits":
                time.sleep(60)
            case "dies":
                os.kill(os.getpid(), signal.SIGKILL)
            case "hides":
                found.refuse("a line\nand another")
            case "is refused":
                found.refuse("it is refused")
        return found


def make(random: Random, folder: Path) -> Planted:
    """Make a random case."""
    del folder
    return Planted(random.choice((*FAULTS, *("is taken", "is refused") * 18)))


def warm_up() -> None:
    """Do nothing."""
