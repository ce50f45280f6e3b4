"""Ask the questions, write the configuration, and say what comes next."""

from __future__ import annotations

import os
import time
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from scanner.commands import output
from scanner.commands.new.questions import QUESTIONS, Answers, Question
from scanner.commands.new.text import written
from scanner.commands.station import check
from scanner.commands.trouble import UsageError
from scanner.wording.times import known_zone

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

LOCAL_TIME = Path("/etc/localtime")


def run(path: Path) -> int:
    """Make a first configuration; the exit code is that of `closewatch check`, which looks at it."""
    if path.exists():
        raise UsageError(f"{path} already exists and was not changed; give the name of a new file")
    if not path.parent.is_dir():
        raise UsageError(f"{path.parent} is not a folder; make it first, or choose another")
    output.say("Six questions. Enter takes the answer in brackets; Ctrl-C leaves without writing anything.")
    answers = asked(_prompt)
    zone = zone_of(os.environ, LOCAL_TIME)
    output.write_whole(path, written(answers, zone).encode())
    output.say("", f"{path} is written. Times are shown in {zone}; zone in [station] changes that.", "")
    code = check.run(path, os.environ, time.time_ns(), connect=False)
    name, timeframe = answers.instruments[0][0], answers.timeframes[0]
    output.say(
        "",
        f"Next: let your program write {answers.folder / f'{name}_{timeframe}.csv'} with columns such as time,",
        f"open, high, low, close and volume; then closewatch check {path} --connect, and closewatch watch {path}.",
        "Bars from elsewhere, mail, phone and more: config/README.md and adapters/README.md.",
    )
    return code


def asked(ask: Callable[[int, Question], str], tell: Callable[[str], None] = output.say) -> Answers:
    """Give the answers to all questions; an invalid one is explained and asked again."""
    answers = Answers()
    for number, question in enumerate(QUESTIONS, 1):
        while True:
            try:
                answers = question.take(answers, ask(number, question).strip())
                break
            except ValueError as problem:
                tell(f"   {problem}.")
    return answers


def zone_of(environ: Mapping[str, str], local_time: Path) -> str:
    """Give the name of the machine's time zone, or UTC if it is unknown."""
    named = environ.get("TZ") or local_time.resolve().as_posix().partition("zoneinfo/")[2] or "UTC"
    try:
        return known_zone(named)
    except ValueError:
        return "UTC"


def _prompt(number: int, question: Question) -> str:
    answer: str = typer.prompt(f"\n{number}. {question.words}", default=question.offered or None)
    return answer
