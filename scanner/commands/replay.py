"""``closewatch replay``: every moment in recorded bars at which the setup stood."""

from __future__ import annotations

from collections import Counter
from functools import partial
from typing import TYPE_CHECKING

from scanner.analysis import kernel
from scanner.commands import output
from scanner.commands.recordings import prepare, recordings
from scanner.present import replay_report
from scanner.present.cautions import SHORT
from scanner.study.replay import ReplayError, Tally, replay

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from scanner.commands.recordings import Reading
    from scanner.events import Event
    from scanner.market.guard import Note

NOTES_SHOWN = 20
"""Notes of the guard that are told one by one for each reason; the rest is counted."""


class _Notes:
    """Tells what the guard refused or noted; in strict mode stops at the first row refused."""

    def __init__(self, *, strict: bool) -> None:
        self.strict = strict
        self.told: Counter[str] = Counter()

    def __call__(self, note: Note) -> None:
        if self.strict and note.refused:
            raise ReplayError(f"{note.source}, row {note.row}: {note.text}; stopped because of --strict")
        self.told[note.reason] += 1
        if self.told[note.reason] <= NOTES_SHOWN:
            output.tell(f"{note.source}, row {note.row}: {note.text}")
        elif self.told[note.reason] == NOTES_SHOWN + 1:
            output.tell(f"{note.source}: more rows like this ({note.reason}) are counted in the summary")


def run(paths: Sequence[Path], reading: Reading, events_to: str | None, *, strict: bool) -> None:
    """Replay files, write the events where asked, and report to people unless the events go to stdout."""
    output.announce_compiling(kernel.needs_compiling())
    found: list[Event] = []
    held: list[Event] = []
    tallies: list[Tally] = []
    notes = _Notes(strict=strict)
    with output.whole_file(events_to or "/dev/null") as sink, output.progress("replaying") as on_progress:
        for recording in recordings(paths, reading, on_progress):
            tally = Tally(recording.symbol, str(recording.path))
            tallies.append(tally)
            for event in replay(recording, partial(prepare, reading), tally, notes):
                if events_to is not None:
                    sink.write(event.to_json() + "\n")
                (found if event.kind == "setup.qualified" else held).append(event)
    if events_to != "-":
        report(found, held, tallies, reading.tz)


def report(found: Sequence[Event], held: Sequence[Event], tallies: Sequence[Tally], zone: str) -> None:
    """Print what a replay found."""
    if found:
        output.say(*replay_report.setups(found, zone, output.width()), "")
    if held:
        output.say("on hold:", *replay_report.holds(held, zone), "")
    output.say(*replay_report.summary(tallies, zone), "", SHORT)
