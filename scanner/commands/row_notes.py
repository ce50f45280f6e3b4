"""What the guard says of single rows, told to whoever gave the files."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from scanner.commands import output
from scanner.replay import ReplayError

if TYPE_CHECKING:
    from scanner.market.guard import Note

SHOWN = 20
"""Notes of the guard that are told one by one for each reason; the rest is counted."""


class RowNotes:
    """Tells what the guard refused or noted; in strict mode stops at the first row refused."""

    def __init__(self, *, strict: bool = False) -> None:
        self.strict = strict
        self.told: Counter[str] = Counter()

    def __call__(self, note: Note) -> None:
        """Hear of a row."""
        if self.strict and note.refused:
            raise ReplayError(f"{note.source}, row {note.row}: {note.text}; stopped because of --strict")
        self.told[note.reason] += 1
        if self.told[note.reason] <= SHOWN:
            output.tell(f"{note.source}, row {note.row}: {note.text}")
        elif self.told[note.reason] == SHOWN + 1:
            output.tell(f"{note.source}: more rows like this ({note.reason}) are counted in the summary")
