"""Real files with one thing changed: ``python -m tests.mutations`` counts the results.

Each must end in the true bars, in a note that names what was changed, or in a refusal. The command fails if one is
read wrongly without a note. A mutation depends on the seed and its number alone, so that any can be made again.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections import Counter
from pathlib import Path
from random import Random
from time import monotonic
from typing import TYPE_CHECKING

from scanner.wording.tables import table
from tests.mutations.kinds import KINDS, UNSEEN
from tests.mutations.verdicts import VERDICTS, Judge

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from tests.mutations.kinds import Mutated

    Kinds = Mapping[str, Sequence[Callable[[Random], Mutated]]]

TOLD_EVERY = 5.0
"""Seconds between two messages on progress."""
WRONG = "wrong silently"
UNSEEN_ONE_IN = 20
"""One mutation in this many is of a kind that the bars cannot reveal."""


def mutation(seed: int, number: int, kinds: Kinds) -> tuple[str, Mutated]:
    """Make one of the mutations; also gives its kind. The kinds take turns."""
    random = Random(f"{seed} {number}")
    if random.randrange(UNSEEN_ONE_IN) == 0:
        kind = random.choice(list(UNSEEN))
        return kind, UNSEEN[kind][0](random)
    kind = list(kinds)[number % len(kinds)]
    return kind, random.choice(kinds[kind])(random)


def main(words: Sequence[str] | None = None, kinds: Kinds = KINDS) -> int:
    """Run the requested cases, and give the exit code."""
    parser = argparse.ArgumentParser(prog="python -m tests.mutations", description=__doc__)
    parser.add_argument("--count", type=int, default=10_000, help="how many mutations")
    parser.add_argument("--seed", type=int, default=1, help="chooses them")
    parser.add_argument("--number", type=int, help="show this one alone")
    told = parser.parse_args(words)
    with tempfile.TemporaryDirectory() as folder:
        judge = Judge(Path(folder))
        if told.number is not None:
            return _show(judge, kinds, told.seed, told.number)
        return _count(judge, kinds, told.seed, told.count)


def _show(judge: Judge, kinds: Kinds, seed: int, number: int) -> int:
    kind, made = mutation(seed, number, kinds)
    verdict, why = judge.verdict(made)
    print(f"{kind}: {made.file.name}: {made.what}\n{verdict}", *why[:20], sep="\n  ")
    return int(verdict == WRONG and kind in kinds)


def _count(judge: Judge, kinds: Kinds, seed: int, count: int) -> int:
    begun = said = monotonic()
    found: Counter[tuple[str, str]] = Counter()
    wrong: list[str] = []
    for number in range(count):
        kind, made = mutation(seed, number, kinds)
        verdict, _ = judge.verdict(made)
        found[kind, verdict] += 1
        if verdict == WRONG and kind in kinds:
            wrong.append(f"{kind}: {made.what}: python -m tests.mutations --seed {seed} --number {number}")
            print(wrong[-1], file=sys.stderr)
        if monotonic() - said > TOLD_EVERY:
            said = monotonic()
            print(f"{number + 1:,} of {count:,}, {len(wrong):,} of them wrong silently", file=sys.stderr)
    rows = [
        (kind, f"{sum(found[kind, each] for each in VERDICTS):,}", *(f"{found[kind, each]:,}" for each in VERDICTS))
        for kind in (*kinds, *UNSEEN)
    ]
    print(*table(("what is changed", "files", *VERDICTS), rows, left=(0,)), sep="\n")
    print("", *(f"{kind}: cannot always be seen, for {why}" for kind, (_, why) in UNSEEN.items()), sep="\n")
    print(f"\nseed {seed}, {monotonic() - begun:.0f} s", *wrong, sep="\n")
    return int(bool(wrong))


if __name__ == "__main__":
    sys.exit(main())
