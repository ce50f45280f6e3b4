"""``closewatch replay``: every setup in recorded bars."""

from __future__ import annotations

from typing import TYPE_CHECKING

from scanner.commands import output
from scanner.commands.ready import compile_once
from scanner.commands.recorded.row_notes import RowNotes
from scanner.commands.recorded.several import Troubles
from scanner.cycles import no_search_for_cycles
from scanner.present.reports.import_report import open_end_line
from scanner.present.reports.replay_report import ReplayReport, summary
from scanner.replays.contradictions import FEW, unconfigured
from scanner.replays.recordings import advised, begun, recordings
from scanner.replays.replay import MostlyRefusedError, Tally, replay
from scanner.wording.cautions import SHORT
from scanner.wording.text import plain

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from scanner.events import Event
    from scanner.follow.outcome import Came
    from scanner.market.guard import Note
    from scanner.replays.recordings import Reading


def gather(
    paths: Sequence[Path],
    reading: Reading,
    on_note: Callable[[Note], None],
    on_event: Callable[[Event], None],
    on_end: Callable[[Came], None],
    *,
    tells_stories: bool,
) -> tuple[list[Tally], Troubles]:
    """Replay files with progress shown; return the tally of each recording, and what could not be read.

    A recording that cannot be read stops only itself. Each event is passed on, and the outcome of each setup;
    ``tells_stories`` is as in ``replay``.
    """
    compile_once([reading.rulebook], reading.settings)
    tallies: list[Tally] = []
    troubles, cut_off = Troubles(), dict[str, None]()
    with no_search_for_cycles(), output.progress("replaying") as on_progress:
        for recording in recordings(paths, reading, on_progress, troubles.add):
            tally = Tally(recording.symbol, str(recording.path))
            try:
                with troubles.of(tally):
                    inputs, chunks = begun(reading, recording, tally)
                    for event in replay(inputs.pipeline(), chunks, tally, on_note, on_end, tells_stories=tells_stories):
                        on_event(event)
                    tallies.append(tally)
                    cut_off.update({open_end_line(file): None for file in recording.understood() if file.open_end})
            except MostlyRefusedError as problem:
                troubles.add(advised(problem, recording, reading))
    output.tell(*cut_off, *_alike(tallies), *unconfigured(reading.settings, [tally.symbol for tally in tallies]))
    return tallies, troubles


def _alike(tallies: Sequence[Tally]) -> list[str]:
    by_mark: dict[bytes, list[Tally]] = {}
    for tally in tallies:
        if tally.bars >= FEW:
            by_mark.setdefault(tally.mark, []).append(tally)
    return [
        f"{' and '.join(plain(tally.symbol) for tally in same)} have the same prices: leave one of them out, or "
        "they count twice"
        for same in by_mark.values()
        if len(same) > 1
    ]


def run(paths: Sequence[Path], reading: Reading, events_to: str | None, *, strict: bool) -> int:
    """Replay files, write the events if asked, and print a report unless the events go to stdout.

    What could not be read is named at the end; return the exit code.
    """
    notes, found = RowNotes(strict=strict), ReplayReport(reading.tz)
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
        if not tallies:
            return troubles.end(nothing_read=True)
    if events_to == "-":
        output.tell(*summary(tallies, found.zone), "", SHORT)
        return troubles.end(nothing_read=False)
    return report(found, tallies, troubles)


def report(found: ReplayReport, tallies: Sequence[Tally], troubles: Troubles) -> int:
    """Print what a replay found; return the exit code."""
    if tallies:
        output.say(*found.lines(output.width()), *summary(tallies, found.zone), "", SHORT)
    return troubles.end(nothing_read=not tallies)
