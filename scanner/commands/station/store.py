"""``closewatch store``: whether a store is sound, its compaction, and its contents as tables."""

from __future__ import annotations

import os
import time
from typing import TYPE_CHECKING

from scanner.commands import output
from scanner.commands.trouble import DONE, FAILED, UsageError
from scanner.service.outlined import is_played
from scanner.store import Store
from scanner.store.upkeep import export as exporting
from scanner.store.upkeep import maintenance
from scanner.store.upkeep.check import check as faults

if TYPE_CHECKING:
    from pathlib import Path

    from scanner.commands.station.which_store import StoreChoice

EVERY_BAR, EVERY_DAY = 2**40, 36_500
"""What is kept if no configuration sets it: all bars, and a hundred years."""


def check(choice: StoreChoice) -> int:
    """Print what is wrong with a store; give the exit code."""
    with choice.visited() as store:
        found = faults(store)
    output.say(*(found or [f"{choice.store} is sound."]))
    if found:
        output.tell(
            f"{choice.store} is damaged: put a copy in its place, or move it away and let the feeds fill another."
        )
    return FAILED if found else DONE


def compact(choice: StoreChoice) -> None:
    """Compact a store and print the result."""
    if not choice.store.is_file():  # opening it as its owner would make a new one
        raise UsageError(f"{choice.store}: there is no store here; give the one that `closewatch watch` fills")
    known = choice.known
    bars, days = (EVERY_BAR, EVERY_DAY) if known is None else (known.station.keep_bars, known.station.keep_days)
    played = known is not None and is_played(known, os.environ)
    with Store.open(choice.store, time.time_ns) as store:
        done = maintenance.compact(store, keep_bars=bars, keep_days=days, played=played)
    output.say(f"{choice.store}: {done}.")


def export(choice: StoreChoice, folder: Path) -> None:
    """Write a store to files and name them."""
    with choice.visited() as store:
        written = exporting.export(store, folder)
    output.say(*(str(each) for each in written))
    if not written:
        output.tell(f"{choice.store} is empty: nothing was written.")
