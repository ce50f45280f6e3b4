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
from typing import TYPE_CHECKING

import orjson

from tests.honesty import best, power, pure
from tests.honesty.rates import lines

if TYPE_CHECKING:
    from collections.abc import Sequence

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
    parser.add_argument("--write", type=Path, help="write the rates to this file as well, as JSON")
    told = parser.parse_args(words)
    feeds = told.feeds if told.feeds is not None else QUICK if told.quick else FEEDS
    if feeds < 1:
        parser.error(f"--feeds must be at least 1, not {feeds}")
    chosen, begun = [told.part] if told.part else list(PARTS), monotonic()
    try:
        rates = [rate for name in chosen for rate in PARTS[name](feeds, told.seed, told.workers)]
    except KeyboardInterrupt:
        print("stopped; nothing was written", file=sys.stderr)
        return STOPPED
    command = " ".join(["python -m tests.honesty", *(words if words is not None else sys.argv[1:])])
    print("\n".join(lines(rates, roughly=told.quick)))
    print(f"\n{command}: {monotonic() - begun:.0f} s")
    if told.write:
        told.write.write_bytes(kept(rates, command))
    return int(not all(each.met(roughly=told.quick) for each in rates))


def kept(rates: Sequence[Rate], command: str) -> bytes:
    """Give the figures for the method page of a report, as JSON."""
    now = {"date": datetime.now(UTC).date().isoformat(), "command": command, "rows": [each.told() for each in rates]}
    return orjson.dumps(now, option=orjson.OPT_INDENT_2 | orjson.OPT_APPEND_NEWLINE)


if __name__ == "__main__":
    sys.exit(main())
