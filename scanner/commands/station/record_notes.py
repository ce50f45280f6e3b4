"""A note added to an alert: how setups of its kind performed in the study that was kept."""

from __future__ import annotations

from threading import Lock
from typing import TYPE_CHECKING

from scanner.configuration.toml_files.reading import state_of
from scanner.present.words.record_words import NO_RECORD, NOBODY, UNREADABLE, in_alert, in_report
from scanner.studies.kept.marks import marks_of
from scanner.studies.kept.record import Record, RecordError, beside, read

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from scanner.configuration.model.outline import Outline
    from scanner.configuration.model.settings import Settings
    from scanner.events import Event


class RecordNotes:
    """Reads the record beside a store, again whenever it changes, and finds the sentence for a setup.

    ``settings`` gives the configuration as it is now, ``clock`` the time in nanoseconds since 1970 UTC. ``tell``
    receives a sentence if the record cannot be read, once for each state of it, in the thread that asked.
    """

    def __init__(
        self, store: Path, settings: Callable[[], Settings], clock: Callable[[], int], tell: Callable[[str], object]
    ) -> None:
        self._path = beside(store)
        self._settings = settings
        self._clock = clock
        self._tell = tell
        self._state: object = ()
        self._known: Record | RecordError | None = None
        self._turn = Lock()

    def __call__(self, event: Event) -> str:
        """Say how setups of the same kind as one found or forming performed, or why that is unknown."""
        known = self.look()
        if known is None:
            return NOBODY
        if isinstance(known, RecordError):
            return UNREADABLE
        settings, data = self._settings(), event.data
        (mark,) = marks_of(settings, settings.rulebook_of(), [data["instrument"]]).values()
        return in_alert(
            known,
            known.of_kind(data["setup"], data["direction"], data["timeframe"]),
            is_aside=bool(data.get("set_aside", "")),
            same_rules=mark in known.rules,
            now=self._clock(),
            max_age=settings.study.max_age,
            zone=settings.station.zone,
        )

    def look(self) -> Record | RecordError | None:
        """Give the record as it is now, None if there is none."""
        with self._turn:  # each sink asks from its own thread
            state = state_of(self._path)
            if state != self._state:
                self._state = state
                try:
                    self._known = read(self._path)
                except RecordError as problem:
                    self._known = problem
                    self._tell(str(problem))
            return self._known


def told_of_record(about: Outline, now: int) -> str:
    """Say which study the alerts of a station quote, or why they quote none."""
    try:
        record = read(beside(about.store_path))
    except RecordError as problem:
        return f"Warning: {problem}; until then alerts say that it cannot be read."
    if record is None:
        return NO_RECORD
    others = sum(count for mark, count in about.marks.items() if mark not in record.rules)
    return in_report(record, others, len(about.listed), now, about.study_age, about.zone)
