"""Notes about rows, for the log: the first with a reason at once, those that follow in one line a minute."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from scanner.market.guard import Note

BUNDLED = 60.0
"""Seconds for which notes with one reason are only counted: ten thousand series may each have one a minute."""
NAMED = 10
"""Sources that a bundle names."""


@dataclass(slots=True)
class _Bundle:
    begun: float
    count: int = 0
    sources: dict[str, None] = field(default_factory=dict)
    """In the order of arrival."""
    last: Note | None = None


class Log(Protocol):
    """The part of a log that is used here."""

    def info(self, event: str, **more: object) -> object:
        """Write a line."""


class NotedRows:
    """Writes notes to a log; ``clock`` gives seconds that never go back."""

    def __init__(self, log: Log, clock: Callable[[], float]) -> None:
        self._log = log
        self._clock = clock
        self._bundles: dict[str, _Bundle] = {}

    def add(self, notes: Sequence[Note]) -> None:
        """Take notes, perhaps none, and write what is due."""
        now = self._clock()
        self._write_bundles(now - BUNDLED)
        for note in notes:
            if note.reason not in self._bundles:
                self._bundles[note.reason] = _Bundle(now)
                self._log.info("row noted", source=note.source, row=note.row, reason=note.reason, text=note.text)
                continue
            bundle = self._bundles[note.reason]
            bundle.count += 1
            bundle.sources[note.source] = None
            bundle.last = note

    def finish(self) -> None:
        """Write what was counted and not written yet."""
        self._write_bundles(self._clock())

    def _write_bundles(self, begun: float) -> None:
        """Write the bundles begun by then; the next note with the reason of an empty bundle is written at once."""
        for reason, bundle in list(self._bundles.items()):
            if bundle.begun > begun:
                continue
            del self._bundles[reason]
            if bundle.last is not None:
                names, last = list(bundle.sources), bundle.last
                text = f"{last.source}, row {last.row}: {last.text}"
                self._log.info(
                    "rows noted", reason=reason, count=bundle.count, sources=len(names), some=names[:NAMED], last=text
                )
                self._bundles[reason] = _Bundle(self._clock())
