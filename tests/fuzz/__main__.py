"""Hundreds of thousands of odd inputs: ``python -m tests.fuzz`` prints a table, and fails on any miss.

Each case depends on the seed, its kind and its number alone, so that any can be run again by itself.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import warnings
from collections import Counter
from dataclasses import dataclass, field
from importlib import import_module
from pathlib import Path
from time import monotonic
from typing import TYPE_CHECKING, Any

from scanner.wording.tables import table
from tests.fuzz.cases import MOST_MEMORY, MOST_SECONDS, Outcome, case_of, outcome, outcomes

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

KINDS = {
    "json": "tests.fuzz.json_messages",
    "configurations": "tests.fuzz.configurations",
    "files": "tests.fuzz.bar_files",
}
TOLD_EVERY = 5.0
"""Seconds between two messages on progress."""
HEADS = ("what", "how many", "refused", "taken", "nothing in it", "tracebacks", "hangs", "slowest", "memory")
BAD = ("fault", "hang", "memory")


@dataclass
class Tally:
    """The results of the cases of one kind; of faults at one place the first number is kept."""

    name: str
    what: str
    ends: Counter[str] = field(default_factory=Counter)
    slowest: float = 0.0
    memory: int = 0
    places: Counter[tuple[str, str]] = field(default_factory=Counter)
    first: dict[tuple[str, str], int] = field(default_factory=dict)

    def add(self, found: Outcome) -> None:
        """Count one more."""
        self.ends[found.end] += 1
        self.slowest = max(self.slowest, found.seconds)
        self.memory = max(self.memory, found.memory)
        if found.end in BAD:
            place = found.end, found.where
            self.places[place] += 1
            self.first[place] = min(found.number, self.first.get(place, found.number))

    @property
    def total(self) -> int:
        """How many there were."""
        return self.ends.total()

    def row(self) -> tuple[str, ...]:
        """Give the line of the table."""
        counts = (self.total, *(self.ends[end] for end in ("refused", "taken", "nothing", "fault", "hang")))
        return (self.what, *(f"{count:,}" for count in counts), f"{self.slowest:.2f} s", f"{self.memory} MB")


def main(words: Sequence[str] | None = None, kinds: Mapping[str, str] = KINDS) -> int:
    """Run the requested cases, and give the exit code."""
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument(
        "kinds", nargs="*", choices=[*kinds, []], metavar="kind", help=f"{', '.join(kinds)}; all without"
    )
    parser.add_argument("--seed", type=int, default=1, help="chooses the cases")
    parser.add_argument("--part", type=float, default=1.0, help="how many of the cases, as a part of all")
    parser.add_argument("--case", type=int, help="show this case of one kind and run it alone")
    parser.add_argument("--most-seconds", type=float, default=MOST_SECONDS, help="how long one input may take")
    told = parser.parse_args(words)
    chosen = told.kinds or list(kinds)
    if told.case is not None:
        if len(chosen) != 1:
            parser.error("--case needs the one kind that it is of")
        return again(kinds[chosen[0]], chosen[0], told)
    begun = monotonic()
    tallies = [_run(kinds[name], name, told) for name in chosen]
    print(*table(HEADS, [each.row() for each in tallies], left=(0,)), sep="\n")
    print(
        f"\nseed {told.seed}, {monotonic() - begun:.0f} s; wanted: no traceback, no input that takes more than "
        f"{told.most_seconds:g} s, no process with more than {MOST_MEMORY} MB"
    )
    for each in tallies:
        for (end, where), count in each.places.most_common():
            number = each.first[end, where]
            print(f"\n{end}: {where} ({count:,} of {each.total:,} {each.what})")
            print(f"  python -m tests.fuzz {each.name} --seed {told.seed} --case {number}")
    return int(any(each.places for each in tallies))


def _run(module: str, name: str, told: argparse.Namespace) -> Tally:
    kind: Any = import_module(module)
    tally, count = Tally(name, kind.WHAT), max(1, round(kind.COUNT * told.part))
    said = monotonic()
    for each in outcomes(module, name, told.seed, count, told.most_seconds):
        tally.add(each)
        if monotonic() - said > TOLD_EVERY or tally.total == count:
            said = monotonic()
            bad = sum(tally.ends[end] for end in BAD)
            print(f"{tally.total:,} of {count:,} {kind.WHAT}, {bad:,} of them bad", file=sys.stderr)
    return tally


def again(module: str, name: str, told: argparse.Namespace) -> int:
    """Show one case and its result."""
    warnings.simplefilter("ignore")
    kind: Any = import_module(module)
    kind.warm_up()
    with tempfile.TemporaryDirectory() as folder:
        print(case_of(kind, name, told.seed, told.case, Path(folder)))
    found = outcome(kind, name, told.seed, told.case, told.most_seconds)
    print(f"\n{found.end} {found.where} in {found.seconds:.3f} s\n{found.trace}".rstrip())
    return int(found.end in BAD)


if __name__ == "__main__":
    sys.exit(main())
