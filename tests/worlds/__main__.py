"""Whole stations in simulated worlds: ``python -m tests.worlds`` prints what happened in them, and fails on any fault.

A world depends only on its seed. For one that fails, the command is printed that runs it again, reduced as far as
possible.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from dataclasses import replace
from time import monotonic
from typing import TYPE_CHECKING

from scanner.wording.tables import table
from tests.worlds.plan import MISCHIEF, Plan
from tests.worlds.running import Outcome, outcome, outcomes, silent, smallest

if TYPE_CHECKING:
    from collections.abc import Sequence

TOLD_EVERY = 10.0
"""Seconds between two progress messages."""
MOST_SHRUNK = 3
"""Failing worlds that are reduced; others are only named."""


def main(words: Sequence[str] | None = None) -> int:
    """Run what the options ask for, and return the exit code."""
    parser = argparse.ArgumentParser(prog="python -m tests.worlds", description=__doc__)
    parser.add_argument("--worlds", type=int, default=10_000, help="how many; 10,000 unless given")
    parser.add_argument("--seed", type=int, default=1, help="that of the first world")
    parser.add_argument("--one", type=int, metavar="SEED", help="run only this world, and say what is wrong")
    parser.add_argument("--bars", type=int, help="with --one: bars for which the mischief goes on")
    parser.add_argument(
        "--without", default="", help=f"with --one: kinds of mischief to leave out; {', '.join(MISCHIEF)}"
    )
    parser.add_argument("--planted", action="store_true", help="plant defects, and count the worlds until each shows")
    told = parser.parse_args(words)
    without = set(filter(None, told.without.split(",")))
    if unknown := without - MISCHIEF.keys():
        parser.error(f"--without {','.join(sorted(unknown))}: choose among {', '.join(MISCHIEF)}")
    if told.worlds < 1 or (told.bars is not None and told.bars < 1):
        parser.error("--worlds and --bars are whole numbers from 1 on")
    if told.one is not None:
        return _one(told.one, told.bars, without)
    if told.planted:
        from tests.worlds.planted import show  # noqa: PLC0415 - only where it is wanted

        return show(told.seed)
    return _all(range(told.seed, told.seed + told.worlds))


def _one(seed: int, bars: int | None, without: set[str]) -> int:
    plan = Plan.of(seed)
    plan = replace(plan, kinds=plan.kinds - without, bars=bars or plan.bars)
    with silent():
        found = outcome(plan)
    print(f"{plan.command}\n{plan.bars} bars with {', '.join(sorted(plan.kinds)) or 'no mischief'}")
    print(*table(("what", "times"), _rows(found.counts), left=(0,)), sep="\n")
    print(*(found.faults or ["no fault"]), sep="\n")
    return int(bool(found.faults))


def _rows(counts: Counter[str]) -> list[tuple[str, str]]:
    return [(what, f"{count:,}") for what, count in sorted(counts.items()) if count]


def _all(seeds: range) -> int:
    begun = said = monotonic()
    counts: Counter[str] = Counter()
    failed: list[Outcome] = []
    worlds, seconds, slowest, kinds = 0, 0.0, 0, Counter[str]()
    for each in outcomes(seeds):
        worlds, seconds = worlds + 1, seconds + each.seconds
        slowest = max(slowest, each.counts.pop("slowest stop, ms", 0))
        counts += each.counts
        kinds.update(each.plan.kinds)
        if each.faults:
            failed.append(each)
            print(f"{each.faults[0][:200]}\n  {each.plan.command}", file=sys.stderr)
        if monotonic() - said > TOLD_EVERY:
            said = monotonic()
            print(f"{worlds:,} of {len(seeds):,} worlds, {len(failed):,} of them with a fault", file=sys.stderr)
    print(
        *table(
            ("in so many worlds", "there were"),
            [(f"{kinds[kind]:,}", what) for kind, what in MISCHIEF.items()],
            left=(1,),
        ),
        sep="\n",
    )
    print()
    print(*table(("what happened", "times"), _rows(counts), left=(0,)), sep="\n")
    print(
        f"\n{worlds:,} worlds from seed {seeds.start} on in {monotonic() - begun:.0f} s, "
        f"{seconds / max(worlds, 1):.2f} s of the processor each; "
        f"the slowest stop took {slowest / 1000:.2f} s; {len(failed):,} with a fault"
    )
    for number, each in enumerate(sorted(failed, key=lambda one: one.plan.seed)):
        print(f"\n{each.faults[0]}\n  {each.plan.command}")
        if number < MOST_SHRUNK:
            print(f"  {_shrunk(each).command}")
    return int(bool(failed))


def _shrunk(failed: Outcome) -> Plan:
    """Find the smallest world in which the same law is broken."""
    law = failed.faults[0].partition(":")[0]

    def fails(plan: Plan) -> bool:
        return any(fault.startswith(law) for fault in outcome(plan).faults)

    with silent():
        return smallest(failed.plan, fails)


if __name__ == "__main__":
    sys.exit(main())
