"""The guard's notes about single rows, shown to the user."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from scanner.commands import output
from scanner.replays.replay import ReplayError

if TYPE_CHECKING:
    from scanner.market.guard import Note

SHOWN = 20
"""How many notes of the guard are shown for each reason; the rest are counted."""


class RowNotes:
    """Shows what the guard refused or noted; in strict mode, stops at the first refused row."""

    def __init__(self, *, strict: bool = False) -> None:
        self.strict = strict
        self.counts: Counter[str] = Counter()

    def __call__(self, note: Note) -> None:
        """Take a note on a row."""
        if self.strict and note.refused:
            raise ReplayError(f"{note.source}, row {note.row}: {note.text}; stopped because of --strict")
        self.counts[note.reason] += 1
        if self.counts[note.reason] <= SHOWN:
            output.tell(f"{note.source}, row {note.row}: {note.text}")
        elif self.counts[note.reason] == SHOWN + 1:
            output.tell(f"{note.source}: more rows like this ({note.reason}) are counted in the summary")
