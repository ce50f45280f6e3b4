"""``closewatch replay``: every moment in recorded bars at which the setup stood."""

from __future__ import annotations

import gc
from collections import Counter
from dataclasses import dataclass, field
from functools import partial
from typing import TYPE_CHECKING

from scanner.analysis import kernel
from scanner.commands import output
from scanner.commands.recordings import prepare, recordings
from scanner.present import replay_report
from scanner.present.cautions import SHORT
from scanner.study.replay import ReplayError, Tally, replay

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
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


@dataclass(slots=True)
class Outcome:
    """What a replay came to: setups, holds and their ends, and what each recording amounted to."""

    found: list[Event] = field(default_factory=list)
    held: list[Event] = field(default_factory=list)
    tallies: list[Tally] = field(default_factory=list)


def gather(
    paths: Sequence[Path], reading: Reading, on_note: Callable[[Note], None], write: Callable[[str], object] | None
) -> Outcome:
    """Replay files with progress shown; each event is written, if wanted, as a line of JSON."""
    output.announce_compiling(needed=kernel.needs_compiling())
    outcome = Outcome()
    # Events hold no circles: looking for some among ten thousand of them, again and again, costs a tenth of the time.
    gc.disable()
    try:
        with output.progress("replaying") as on_progress:
            for recording in recordings(paths, reading, on_progress):
                tally = Tally(recording.symbol, str(recording.path))
                outcome.tallies.append(tally)
                for event in replay(recording, partial(prepare, reading), tally, on_note):
                    if write is not None:
                        write(event.to_json() + "\n")
                    (outcome.found if event.kind == "setup.qualified" else outcome.held).append(event)
    finally:
        gc.enable()
    return outcome


def run(paths: Sequence[Path], reading: Reading, events_to: str | None, *, strict: bool) -> None:
    """Replay files, write the events where asked, and report to people unless the events go to stdout."""
    notes = _Notes(strict=strict)
    if events_to is None:
        outcome = gather(paths, reading, notes, None)
    else:
        with output.whole_file(events_to) as sink:
            outcome = gather(paths, reading, notes, sink.write)
    if events_to != "-":
        report(outcome, reading.tz)


def report(outcome: Outcome, zone: str, last: int | None = None) -> None:
    """Print what a replay found; ``last`` limits the setups shown to so many at the end."""
    shown = outcome.found if last is None else sorted(outcome.found, key=lambda event: event.time)[-last:]
    if shown:
        output.say(*replay_report.setups(shown, zone, output.width()), "")
    if outcome.held:
        output.say("on hold:", *replay_report.holds(outcome.held, zone), "")
    if outcome.tallies:
        output.say(*replay_report.summary(outcome.tallies, zone), "", SHORT)
