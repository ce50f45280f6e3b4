"""``closewatch study --register``: a hypothesis is recorded before anyone looks at the outcome of any setup."""

from __future__ import annotations

from typing import TYPE_CHECKING, get_args

from scanner.commands import output
from scanner.commands.trouble import UsageError
from scanner.configuration.mistakes import did_you_mean
from scanner.event_data import Direction, ExitStyle, Place
from scanner.replays.recordings import begun, recordings
from scanner.replays.replay import BLOCK, Tally
from scanner.studies.jobs import look_at, marked
from scanner.studies.kept.asking import question_of
from scanner.studies.kept.ledger import NAME, BarsRead, Ledger, Written, add, folder_of
from scanner.studies.kept.marks import books_of
from scanner.studies.schema import AROUND, VERDICTS
from scanner.trade.surroundings import NAMES
from scanner.wording.text import plain
from scanner.wording.times import moment

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence
    from pathlib import Path

    from scanner.replays.recordings import Reading
    from scanner.replays.replay import Recording

LONGEST_NAME = 60
HOURS = tuple(str(hour) for hour in range(24))
POINTS = tuple(str(points) for points in range(21))
"""Numbers of points, up to more than any setup has."""


def run(paths: Sequence[Path], reading: Reading, name: str, where: Sequence[str], config: str, now: int) -> None:
    """Record a hypothesis in the ledger of some files, of which only the times are looked at; UsageError.

    ``where`` has texts such as direction=long, ``config`` is the name of the configuration, empty without one, and
    ``now`` is in nanoseconds since 1970 UTC.
    """
    if not name or plain(name, LONGEST_NAME) != name:
        raise UsageError(f"--register takes a name of at most {LONGEST_NAME} visible characters, not {name!r}")
    written = hypothesis_of(name, _conditions(where), paths, reading, config, now)

    def allow(ledger: Ledger) -> None:
        if any(each.name == name for each in ledger.hypotheses):
            raise UsageError(f"--register {name}: a hypothesis of this name is already recorded; choose another name")

    before = add(paths, written, allow)
    output.tell(*before.troubles)
    setups = ", ".join(f"{column} {value}" for column, value in written.where.items()) or "all setups"
    when = "the last close in these files" if written.after > now else "now"
    output.say(
        f"Recorded as {name}, in {folder_of(paths) / NAME}: {setups}; {written.asked.words}.",
        f"It is tested only on setups found after {moment(written.after, reading.tz)} ({when}), by each later study of "
        "bars in this folder with the same rules, costs and options. No outcome was looked at.",
    )


def hypothesis_of(
    name: str, where: Mapping[str, str], paths: Sequence[Path], reading: Reading, config: str, now: int
) -> Written:
    """Make a hypothesis about files of bars; UsageError says what is wrong with it, or which file cannot be read.

    The outcome of any bar that has closed, in the files or not, may be known already. So a hypothesis is about setups
    found after now, and after the last close in the files.
    """
    files = look_at(paths, reading)
    if files.troubles:
        raise UsageError("; ".join(files.troubles))
    seen = [_seen(recording, reading) for recording in recordings(files.all, reading)]
    instruments = sorted(each.symbol for each in seen)
    timeframes = sorted({timeframe for each in seen for timeframe in each.timeframes})
    _check(where, reading, instruments, timeframes)
    first = min((each.first for each in seen if each.first is not None), default=now)
    last = max((each.last for each in seen if each.last is not None), default=now)
    return Written(
        at=now,
        name=name,
        where=dict(where),
        after=max(now, last),
        asked=question_of(reading, instruments, timeframes, config),
        bars=BarsRead(files=tuple(map(marked, files.all)), instruments=tuple(instruments), first=first, last=last),
    )


def _conditions(where: Sequence[str]) -> dict[str, str]:
    conditions = {}
    for text in where:
        column, equals, value = text.partition("=")
        if not equals:
            raise UsageError(f"--where takes a column and its value, such as direction=long, not {text!r}")
        if column in conditions:
            raise UsageError(f"--where {text}: {column} is given twice; give it once")
        conditions[column] = value
    return conditions


def _seen(recording: Recording, reading: Reading) -> Tally:
    """Find the first and last times of the bars of a recording, and the timeframes on which they are tested."""
    tally = Tally(recording.symbol, str(recording.path))
    inputs, chunks = begun(reading, recording, tally)
    guard = inputs.guard()
    for chunk in chunks:
        for raw in chunk.blocks(BLOCK):
            tally.count(len(raw), guard.check(raw))
    return tally


def _check(where: Mapping[str, str], reading: Reading, instruments: Sequence[str], timeframes: Sequence[str]) -> None:
    """Refuse values that no setup can have, and columns that reveal the outcome of a setup; UsageError."""
    books = books_of(reading.settings, reading.rulebook, instruments).values()
    known = reading.settings
    groups = (
        [] if known is None else [known.instruments[name].group for name in instruments if name in known.instruments]
    )
    columns: dict[str, Collection[str]] = {
        "instrument": instruments,
        "group": [group for group in groups if group],
        "timeframe": timeframes,
        "setup": {chosen.setup.name for book in books for chosen in book.setups},
        "direction": get_args(Direction),
        "place": get_args(Place),
        "entry_style": {book.rules.entry_style for book in books},
        "exit_style": get_args(ExitStyle),
        "evidence_points": POINTS,
        "hour": HOURS,
        **{AROUND + name: VERDICTS for name in NAMES},
    }
    for column, value in where.items():
        if column not in columns:
            meant = did_you_mean(column, columns) or f"; choose from {', '.join(columns)}"
            raise UsageError(f"--where {column}={value}: that is not known when a setup is found{meant}")
        if value not in columns[column]:
            meant = did_you_mean(value, columns[column])
            raise UsageError(f"--where {column}={value}: no setup in these files has that {column}{meant}")
