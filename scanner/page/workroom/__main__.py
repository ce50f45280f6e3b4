"""The process of the workroom: ``python -m scanner.page.workroom CONFIG.toml`` answers questions from its input."""

from __future__ import annotations

import os
import pickle
import signal
import sys
from pathlib import Path

from scanner.page.workroom.work import EXPECTED, Work


def main() -> None:
    """Answer questions one by one until the input ends."""
    for each in (signal.SIGINT, signal.SIGHUP):  # the page ends it
        signal.signal(each, signal.SIG_IGN)
    answers, work = os.fdopen(os.dup(1), "wb"), Work(Path(sys.argv[1]))
    os.dup2(2, 1)  # what a library prints must not mix with answers
    while True:
        try:
            name, given, named = pickle.load(sys.stdin.buffer)  # noqa: S301 - the page itself asks
        except EOFError:
            return
        try:
            answer = getattr(work, name)(*given, **named)
        except EXPECTED as problem:
            answer = problem
        pickle.dump(answer, answers)
        answers.flush()


if __name__ == "__main__":
    main()
