"""``closewatch replay``: every moment in recorded bars at which a setup stood."""

from __future__ import annotations

import gc
from collections import Counter
from functools import partial
from typing import TYPE_CHECKING

from scanner.commands import output
from scanner.engine import needs_compiling
from scanner.present.cautions import SHORT
from scanner.present.replay_report import Report, summary
from scanner.recordings import prepare, recordings
from scanner.replay import ReplayError, Tally, replay

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from scanner.events import Event
    from scanner.market.guard import Note
    from scanner.recordings import Reading
    from scanner.replay import Came

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


def gather(
    paths: Sequence[Path],
    reading: Reading,
    on_note: Callable[[Note], None],
    on_event: Callable[[Event], None],
    on_end: Callable[[Came], None],
    *,
    tells_stories: bool,
) -> list[Tally]:
    """Replay files with progress shown; gives what each recording amounted to.

    Each event is handed on, and what came of each setup; ``tells_stories`` is as in ``replay``.
    """
    output.announce_compiling(needed=needs_compiling(reading.rulebook))
    if reading.settings is not None:
        reading.settings.try_own_setups()
    tallies: list[Tally] = []
    # Events hold no circles: looking for some among them, again and again, costs a tenth of the time.
    gc.disable()
    try:
        with output.progress("replaying") as on_progress:
            for recording in recordings(paths, reading, on_progress):
                tally = Tally(recording.symbol, str(recording.path))
                tallies.append(tally)
                made = partial(prepare, reading)
                for event in replay(recording, made, tally, on_note, on_end, tells_stories=tells_stories):
                    on_event(event)
    finally:
        gc.enable()
    return tallies


def run(paths: Sequence[Path], reading: Reading, events_to: str | None, *, strict: bool) -> None:
    """Replay files, write the events where asked, and report to people unless the events go to stdout."""
    notes, found = _Notes(strict=strict), Report(reading.tz)
    if events_to is not None:
        output.not_among(events_to, "--events", paths)
    if events_to is None:
        report(found, gather(paths, reading, notes, found.add, found.learn, tells_stories=False))
        return
    with output.whole_file(events_to) as sink:

        def keep(event: Event) -> None:
            sink.write(event.to_line())
            if events_to != "-":
                found.add(event)

        def learn(came: Came) -> None:
            if events_to != "-":
                found.learn(came)

        tallies = gather(paths, reading, notes, keep, learn, tells_stories=True)
    if events_to == "-":
        output.tell(*summary(tallies, found.zone), "", SHORT)
    else:
        report(found, tallies)


def report(found: Report, tallies: Sequence[Tally]) -> None:
    """Print what a replay found."""
    output.say(*found.lines(output.width()))
    if tallies:
        output.say(*summary(tallies, found.zone), "", SHORT)
