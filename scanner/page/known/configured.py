"""The configuration that the page goes by, read again when its file has changed."""

from __future__ import annotations

import os
from dataclasses import dataclass
from typing import TYPE_CHECKING

from scanner.commands.recorded.setups import listed_in, rulebooks_of
from scanner.configuration.adapters import prepare
from scanner.configuration.model import settings as configuration
from scanner.service.intake.requests import Manners
from scanner.service.status import is_played

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from scanner.configuration.model.settings import Settings, Watched
    from scanner.present.reports.setups_report import Listed
    from scanner.trade.rulebook import Rulebook


@dataclass(frozen=True, slots=True)
class Known:
    """A configuration, resolved: what is watched by name, the patience of each feed, and whether bars are played.

    ``mark`` tells it from others. ``rulebooks`` are those of the instruments, ``setups`` all that there are, by name.
    """

    settings: Settings
    mark: str
    watched: Mapping[str, Watched]
    patience: Mapping[str, float]
    played: bool
    rulebooks: Mapping[str, Rulebook]
    setups: Mapping[str, Listed]

    @property
    def zone(self) -> str:
        """The user's time zone."""
        return self.settings.station.zone

    def exchange_zone(self, instrument: str) -> str | None:
        """Give the zone of an instrument's sessions; None where it is not watched."""
        watched = self.watched.get(instrument)
        return None if watched is None else watched.calendar.tz


class Configured:
    """Knows the configuration in a file; a changed one is taken where it has no mistake."""

    def __init__(self, path: Path, environ: Mapping[str, str] = os.environ) -> None:
        """Read it; SettingsError where it cannot be used."""
        self._path = path
        self._environ = environ
        self._state = self._look()
        self.known = self._read()

    def look_again(self) -> None:
        """Take the configuration as it is now, if it has changed and has no mistake."""
        state = self._look()
        if state != self._state:
            self._state = state
            try:
                self.known = self._read()
            except configuration.SettingsError:
                return  # `closewatch status` says what is wrong; the station goes on by the old one, too

    def _look(self) -> object:
        try:
            found = self._path.stat()
        except OSError as problem:
            return type(problem)
        return found.st_mtime_ns, found.st_size, found.st_ino

    def _read(self) -> Known:
        settings = configuration.load(self._path, self._environ, to_watch=True)
        feeds = {name: prepare("feeds", name, settings, self._environ) for name in settings.feeds}
        return Known(
            settings,
            settings.mark,
            {each.instrument.symbol: each for each in settings.watched()},
            {name: getattr(each.settings, "patience", Manners().patience) for name, each in feeds.items()},
            is_played(settings, self._environ),
            rulebooks := rulebooks_of(settings),
            listed_in(rulebooks),
        )
