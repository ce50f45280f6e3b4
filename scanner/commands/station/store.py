"""``closewatch store``: whether a store is sound, its compaction, and its contents as tables."""

from __future__ import annotations

import os
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING

from scanner.commands import output
from scanner.commands.trouble import DONE, FAILED, UsageError
from scanner.configuration.model import settings
from scanner.service.outlined import is_played
from scanner.store import Store
from scanner.store.upkeep import export as exporting
from scanner.store.upkeep import maintenance
from scanner.store.upkeep.check import check as faults

if TYPE_CHECKING:
    from pathlib import Path

EVERY_BAR, EVERY_DAY = 2**40, 36_500
"""What is kept if no configuration sets it: all bars, and a hundred years."""


@dataclass(frozen=True, slots=True)
class Choice:
    """Which store, how much of it to keep, and whether its bars were ``played`` from a recording."""

    path: Path
    keep_bars: int = EVERY_BAR
    keep_days: int = EVERY_DAY
    played: bool = False


def choose(store: Path | None, config: Path | None) -> Choice:
    """Find the store by its path or by the configuration; UsageError if neither or both are given."""
    if store is not None and config is None:
        return Choice(store)
    if store is not None or config is None:
        raise UsageError("say which store, either by its path or by --config CONFIG.toml")
    known = settings.load(config)
    return Choice(known.store_path, known.station.keep_bars, known.station.keep_days, is_played(known, os.environ))


def check(choice: Choice) -> int:
    """Print what is wrong with a store; give the exit code."""
    with Store.open(choice.path, time.time_ns, visiting=True) as store:
        found = faults(store)
    output.say(*(found or [f"{choice.path} is sound."]))
    if found:
        output.tell(
            f"{choice.path} is damaged: put a copy in its place, or move it away and let the feeds fill another."
        )
    return FAILED if found else DONE


def compact(choice: Choice) -> None:
    """Compact a store and print the result."""
    if not choice.path.is_file():  # opening it as its owner would make a new one
        raise UsageError(f"{choice.path}: there is no store here; give the one that `closewatch watch` fills")
    with Store.open(choice.path, time.time_ns) as store:
        done = maintenance.compact(store, keep_bars=choice.keep_bars, keep_days=choice.keep_days, played=choice.played)
    output.say(f"{choice.path}: {done}.")


def export(choice: Choice, folder: Path) -> None:
    """Write a store to files and name them."""
    with Store.open(choice.path, time.time_ns, visiting=True) as store:
        written = exporting.export(store, folder)
    output.say(*(str(each) for each in written))
    if not written:
        output.tell(f"{choice.path} is empty: nothing was written.")
