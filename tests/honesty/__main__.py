"""Measures how honest the study is: ``python -m tests.honesty`` prints a table, and fails on any miss.

Each feed depends only on the seed, its kind and its number. Feeds of a kind are invented and studied by the study
itself; then its report is compared with the truth, which is known here.
"""

from __future__ import annotations

import argparse
import os
import sys
from datetime import UTC, datetime
from pathlib import Path
from time import monotonic
from typing import TYPE_CHECKING, Any

import orjson

from tests.honesty import best, power, pure
from tests.honesty.rates import lines

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from tests.honesty.rates import Rate

FEEDS, QUICK = 500, 20
STOPPED = 130
PARTS = {"chance": pure.measured, "planted": power.measured, "best-of-many": best.measured}
"""The function that measures each part: from the feeds of each kind, the seed and the processes, it gives rates."""


def main(words: Sequence[str] | None = None) -> int:
    """Measure the parts asked for, and give the exit code."""
    parser = argparse.ArgumentParser(prog="python -m tests.honesty", description=__doc__)
    parser.add_argument("part", nargs="?", choices=list(PARTS), help="what to measure; all without")
    parser.add_argument("--feeds", type=int, help=f"feeds of each kind; {FEEDS}, or {QUICK} with --quick")
    parser.add_argument("--seed", type=int, default=1, help="chooses the feeds")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1, help="how many processes")
    parser.add_argument("--quick", action="store_true", help="few feeds; only what can hardly be chance is a miss")
    parser.add_argument(
        "--write", type=Path, help="write the rates to this file as well, as JSON; it keeps other parts"
    )
    told = parser.parse_args(words)
    feeds = told.feeds if told.feeds is not None else QUICK if told.quick else FEEDS
    if feeds < 1:
        parser.error(f"--feeds must be at least 1, not {feeds}")
    chosen, begun = [told.part] if told.part else list(PARTS), monotonic()
    try:
        rates = {name: PARTS[name](feeds, told.seed, told.workers) for name in chosen}
    except KeyboardInterrupt:
        print("stopped; nothing was written", file=sys.stderr)
        return STOPPED
    command = " ".join(["python -m tests.honesty", *(words if words is not None else sys.argv[1:])])
    every = [rate for name in chosen for rate in rates[name]]
    print("\n".join(lines(every, roughly=told.quick)))
    print(f"\n{command}: {monotonic() - begun:.0f} s")
    if told.write:
        command = command.replace(f" --write {told.write}", "")
        before = orjson.loads(told.write.read_bytes()) if told.write.exists() else {}
        told.write.write_bytes(kept(rates, command, before))
    return int(not all(each.met(roughly=told.quick) for each in every))


def kept(rates: Mapping[str, Sequence[Rate]], command: str, before: Mapping[str, Any]) -> bytes:
    """Give the figures of each part for the method page of a report, as JSON; parts not measured are as ``before``."""
    now = {"date": datetime.now(UTC).date().isoformat(), "command": command}
    measured = {name: now | {"rows": [each.told() for each in rows]} for name, rows in rates.items()}
    parts = {name: measured.get(name) or before.get(name) for name in PARTS}
    known = {name: part for name, part in parts.items() if part is not None}
    return orjson.dumps(known, option=orjson.OPT_INDENT_2 | orjson.OPT_APPEND_NEWLINE)


if __name__ == "__main__":
    sys.exit(main())
