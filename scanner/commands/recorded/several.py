"""Reading several files, some of which may be bad: those are named at the end, and the rest is read."""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING

from scanner.commands import output
from scanner.commands.trouble import DONE, UNUSABLE, UsageError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from scanner.replays.replay import Tally


class Troubles:
    """What could not be read, a sentence each."""

    def __init__(self) -> None:
        self.sentences: list[str] = []

    def add(self, sentence: str) -> None:
        """Take a sentence; a file with several instruments may raise it more than once."""
        if sentence not in self.sentences:
            self.sentences.append(sentence)

    @contextmanager
    def of(self, tally: Tally) -> Iterator[None]:
        """Take the error of one recording, unless its rows were counted already."""
        try:
            yield
        except Exception as problem:  # anything but a sentence for the user is raised again
            if tally.rows or getattr(problem, "exit_code", None) != UNUSABLE:
                raise
            self.add(str(problem))

    def end(self, *, nothing_read: bool) -> int:
        """Name what was not read, and give the exit code; UsageError if nothing was read."""
        if nothing_read and len(self.sentences) == 1:
            raise UsageError(self.sentences[0])
        output.tell(*(f"not read: {sentence}" for sentence in self.sentences))
        if nothing_read and self.sentences:
            raise UsageError("none of the files can be read")
        return UNUSABLE if self.sentences else DONE
