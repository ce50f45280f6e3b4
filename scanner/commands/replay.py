"""``closewatch replay``: every moment in recorded bars at which a setup stood."""

from __future__ import annotations

import gc
from collections import Counter
from functools import partial
from typing import TYPE_CHECKING

from scanner.commands import output
from scanner.commands.trouble import DONE, UNUSABLE, UsageError
from scanner.contradictions import FEW
from scanner.engine import needs_compiling
from scanner.present.cautions import SHORT
from scanner.present.replay_report import Report, summary
from scanner.present.text import plain
from scanner.recordings import advised, prepare, recordings
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
SHOWN = 60
"""Letters of a name that are shown."""


class _Notes:
    """Tells what the guard refused or noted; in strict mode stops at the first row refused."""

    def __init__(self, *, strict: bool) -> None:
        self.strict = strict
        self.told: Counter[str] = Counter()

    def __call__(self, note: Note) -> None:
        if self.strict and note.refused:
            raise UsageError(f"{note.source}, row {note.row}: {note.text}; stopped because of --strict")
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
) -> tuple[list[Tally], list[str]]:
    """Replay files with progress shown; gives what each recording amounted to, and which could not be replayed.

    One that cannot ends nothing but itself; UsageError where none can. Each event is handed on, and what came of each
    setup; ``tells_stories`` is as in ``replay``.
    """
    output.announce_compiling(needed=needs_compiling(reading.rulebook))
    if reading.settings is not None:
        reading.settings.try_own_setups()
    tallies: list[Tally] = []
    troubles: list[str] = []
    # Events hold no circles: looking for some among them, again and again, costs a tenth of the time.
    gc.disable()
    try:
        with output.progress("replaying") as on_progress:
            for recording in recordings(paths, reading, on_progress):
                tally = Tally(recording.symbol, str(recording.path))
                made = partial(prepare, reading)
                try:
                    for event in replay(recording, made, tally, on_note, on_end, tells_stories=tells_stories):
                        on_event(event)
                except ReplayError as problem:
                    troubles.append(advised(problem, recording, reading))
                else:
                    tallies.append(tally)
    finally:
        gc.enable()
    if troubles and not tallies:
        raise UsageError("; ".join(troubles))
    output.tell(*_alike(tallies))
    return tallies, troubles


def _alike(tallies: Sequence[Tally]) -> list[str]:
    """Say which recordings begin with the same bars, though they have different names."""
    by_mark: dict[bytes, list[Tally]] = {}
    for tally in tallies:
        if tally.bars >= FEW:
            by_mark.setdefault(tally.mark, []).append(tally)
    return [
        f"{' and '.join(plain(tally.symbol, SHOWN) for tally in same)} have the same prices: leave one of them out, "
        "for they count twice"
        for same in by_mark.values()
        if len(same) > 1
    ]


def run(paths: Sequence[Path], reading: Reading, events_to: str | None, *, strict: bool) -> int:
    """Replay files, write the events where asked, and report to people unless the events go to stdout.

    Gives the exit code: what could not be replayed is told at the end.
    """
    notes, found = _Notes(strict=strict), Report(reading.tz)
    if events_to is not None:
        output.not_among(events_to, "--events", paths)
    if events_to is None:
        return report(found, *gather(paths, reading, notes, found.add, found.learn, tells_stories=False))
    with output.whole_file(events_to) as sink:

        def keep(event: Event) -> None:
            sink.write(event.to_line())
            if events_to != "-":
                found.add(event)

        def learn(came: Came) -> None:
            if events_to != "-":
                found.learn(came)

        tallies, troubles = gather(paths, reading, notes, keep, learn, tells_stories=True)
    if events_to == "-":
        output.tell(*summary(tallies, found.zone), "", SHORT, *troubles)
        return UNUSABLE if troubles else DONE
    return report(found, tallies, troubles)


def report(found: Report, tallies: Sequence[Tally], troubles: Sequence[str]) -> int:
    """Print what a replay found, and what could not be replayed; gives the exit code."""
    output.say(*found.lines(output.width()))
    if tallies:
        output.say(*summary(tallies, found.zone), "", SHORT)
    output.tell(*troubles)
    return UNUSABLE if troubles else DONE
