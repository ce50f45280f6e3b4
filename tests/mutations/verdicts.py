"""The verdict on a mutated file, which goes through ``replay`` and ``import`` as a user's would."""

from __future__ import annotations

import io
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Literal
from zoneinfo import ZoneInfo

from pyarrow import parquet

from scanner.commands.recorded import import_bars
from scanner.commands.recorded.replay import gather
from scanner.replays.recordings import Reading
from tests.adapters.zoo.animals import Bar
from tests.mutations.real_files import NEW_YORK

if TYPE_CHECKING:
    from pathlib import Path

    from scanner.events import Event
    from scanner.market.guard import Note
    from tests.mutations.kinds import Mutated

Verdict = Literal["true bars", "noted", "refused", "wrong silently"]
VERDICTS: tuple[Verdict, ...] = ("true bars", "noted", "refused", "wrong silently")


@dataclass(slots=True)
class Told:
    """The result of reading a file: its bars, and the notes on its rows, by line, and on its times."""

    bars: list[Bar] = field(default_factory=list)
    notes: list[tuple[int, str]] = field(default_factory=list)
    holds: list[tuple[datetime, str]] = field(default_factory=list)
    refusals: list[str] = field(default_factory=list)
    words: list[str] = field(default_factory=list)
    """The messages about the file."""


def read(path: Path, options: dict[str, object], *, daily: bool) -> Told:
    """Read a file by both commands; if either refuses it, there are no bars."""
    told, reading = Told(), Reading(**options)  # type: ignore[arg-type]  # options of all types

    def on_note(note: Note) -> None:
        told.notes.append((note.row, note.text))

    def on_event(event: Event) -> None:
        if event.kind == "series.held":
            told.holds.append((datetime.fromisoformat(event.data["bar_open"]), event.data["reason"]))

    out = path.with_suffix(".parquet")
    words = io.StringIO()
    with redirect_stderr(words), redirect_stdout(words):
        try:
            _, troubles = gather([path], reading, on_note, on_event, lambda _: None, tells_stories=False)
            told.refusals += troubles.sentences
            if not told.refusals:
                code = import_bars.run([path], reading, out)
                assert code == 0, words.getvalue()
                told.bars = _bars(out, daily=daily)
        except Exception as problem:  # anything but a sentence for the user is raised again
            if getattr(problem, "exit_code", None) != 2:
                raise
            told.refusals.append(str(problem))
    told.words = [line for line in words.getvalue().splitlines() if line.startswith(f"{path}: ")]
    out.unlink(missing_ok=True)
    return told


def _bars(path: Path, *, daily: bool) -> list[Bar]:
    """Read what ``import`` wrote; a daily bar is that of the day in New York on which its session opens."""
    columns: dict[str, Any] = parquet.read_table(path).to_pydict()
    opens = columns["date"] if "date" in columns else [_moment(each) for each in columns["open time"]]
    if daily and "date" not in columns:
        opens = [each.astimezone(ZoneInfo(NEW_YORK)).date() for each in opens]
    prices = zip(*(columns[name] for name in ("open", "high", "low", "close")), strict=True)
    return [Bar.of(*row) for row in zip(opens, prices, columns["volume"], strict=True)]


def _moment(stamp: Any) -> datetime:  # noqa: ANN401 - what Arrow gives for nanoseconds
    return datetime.fromtimestamp(stamp.value // 10**9, UTC)


class Judge:
    """Reads mutated files in a folder; notes on the real ones are known, and do not count."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._before: dict[tuple[str, str], Told] = {}

    def _unchanged(self, made: Mutated) -> Told:
        key = f"{made.file.name} {made.file.bars[0].opens}", str(made.options)
        if key not in self._before:
            told = self._read(made, made.file.content(made.file.cells()))
            assert told.bars == list(made.file.bars), f"the real file is misread: {made.file.name} {told.refusals}"
            self._before[key] = told
        return self._before[key]

    def _read(self, made: Mutated, content: bytes) -> Told:
        path = self._folder / "MUTATED.csv"
        path.write_bytes(content)
        return read(path, made.options, daily=not isinstance(made.bars[0].opens, datetime))

    def verdict(self, made: Mutated) -> tuple[Verdict, list[str]]:
        """Give the verdict on a mutated file, and the messages about it or the bars that are wrong."""
        told = self._read(made, made.content)
        if told.refusals:
            return "refused", told.refusals
        if told.bars == list(made.bars):
            return "true bars", []
        said = self._said(made, self._unchanged(made), told)
        if said:
            return "noted", said
        right = set(made.bars)
        wrong = [f"not true: {bar}" for bar in told.bars if bar not in right]
        found = {bar.opens for bar in told.bars}
        return "wrong silently", wrong + [f"gone: {bar}" for bar in made.bars if bar.opens not in found]

    def _said(self, made: Mutated, before: Told, told: Told) -> list[str]:
        """Give the notes on the rows that were changed, or on those beside them."""
        first, last = made.touched.start - 1, made.touched.stop
        known = {text for _, text in before.notes}
        begin = made.file.first_line
        notes = [f"row {row}: {text}" for row, text in told.notes if first <= row - begin <= last and text not in known]
        bars = made.file.in_order[max(first, 0) : last + 1]
        times = sorted(str(bar.opens) for bar in bars)
        holds = [
            f"{when}: {why}"
            for when, why in told.holds
            if (when, why) not in before.holds and times[0][:10] <= str(when)[:10] <= times[-1][:10]
        ]
        return notes + holds + [line for line in told.words if line not in before.words]
