"""The configuration that the page uses, read again when its file or that of its dates has changed."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

from scanner.commands.trouble import UsageError
from scanner.configuration.toml_files.reading import state_of

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from scanner.page.workroom.work import Work

ANYWAY = 86_400.0
"""Seconds after which it is read again even if no file has changed, since dates pass and calendars go on."""


class Configured:
    """Holds the configuration in a file, as ``work`` reads it; a changed one is used only if it has no mistake."""

    def __init__(self, path: Path, work: Work, passed: Callable[[], float] = time.monotonic) -> None:
        """Read it; UsageError if it cannot be used."""
        self.work = work
        self._path, self._passed = path, passed
        state, self._read_at = state_of(path), passed()
        self.known = work.known()
        self._state = state, self._state_of_dates()

    def look_again(self) -> None:
        """Use the configuration as it is now, if it or its dates have changed and it has no mistake."""
        state, now = (state_of(self._path), self._state_of_dates()), self._passed()
        if state != self._state or now - self._read_at >= ANYWAY:
            self._state, self._read_at = state, now
            try:
                self.known = self.work.known()
            except UsageError:
                return  # `closewatch status` says what is wrong; the station keeps the old one, too

    def _state_of_dates(self) -> object:
        return None if self.known.dates is None else state_of(self.known.dates)
