"""What the workroom answers: the outline of the configuration, and all that needs the rules and the engine."""

from __future__ import annotations

import os
import time
from functools import cached_property
from typing import TYPE_CHECKING

import orjson

from scanner.analysis.door.setup import Chosen
from scanner.analysis.door.setup_trial import example_fit
from scanner.commands.recorded.setups import example, listed_in, rulebooks_of
from scanner.commands.trouble import UsageError
from scanner.configuration.model import settings as configuration
from scanner.journal.stories import stories
from scanner.page.known.plain import PlainConfig, SetupLine, SetupSheet
from scanner.page.trouble import NO_SETUP, NO_STORY, NothingHereError
from scanner.page.views.measured import distance
from scanner.page.workroom import charts
from scanner.page.workroom.explaining import bar_of, explained
from scanner.page.workroom.judging import judge_last
from scanner.present.chart.look import darkened
from scanner.present.reports.setups_report import numbers_of, speak
from scanner.service.outlined import outline_of
from scanner.store import Store, StoreTroubleError
from scanner.trade.rulebook import Rulebook

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from scanner.configuration.model.settings import Settings
    from scanner.events import Event
    from scanner.page.views.measured import Distance, Explained
    from scanner.page.workroom.judging import JudgedBar
    from scanner.present.reports.setups_report import Listed
    from scanner.store import SeriesKey

EXPECTED = NothingHereError, StoreTroubleError, UsageError


class Work:
    """Computes what the page asks for, by the configuration in a file; UsageError if that cannot be used.

    A bar is named by its instrument, its timeframe and the requested time, as in the address of a page.
    """

    def __init__(self, path: Path, environ: Mapping[str, str] = os.environ) -> None:
        self._path, self._environ = path, environ

    @cached_property
    def _settings(self) -> Settings:
        try:
            return configuration.load(self._path, self._environ, to_watch=True)
        except configuration.SettingsError as problem:
            raise UsageError(str(problem)) from problem

    @cached_property
    def _rulebooks(self) -> Mapping[str, Rulebook]:
        return rulebooks_of(self._settings)

    @cached_property
    def _setups(self) -> Mapping[str, Listed]:
        return listed_in(self._rulebooks)

    def _store(self) -> Store:
        return Store.open(self._settings.store_path, time.time_ns, visiting=True)

    def known(self) -> PlainConfig:
        """Read the configuration as it is now, and give what the page uses of it."""
        for each in ("_settings", "_rulebooks", "_setups"):
            self.__dict__.pop(each, None)
        settings = self._settings
        return PlainConfig(
            outline_of(settings, self._environ, time.time_ns()),
            settings.folder,
            None if settings.surroundings.dates is None else settings.folder / settings.surroundings.dates,
            settings.page,
            {
                name: SetupLine(name, each.setup.title, each.setup.summary, each.watched)
                for name, each in self._setups.items()
            },
        )

    def distances(self, keys: Sequence[SeriesKey]) -> list[Distance | None]:
        """Say how far the last bars of some series are from a setup; None if there is no bar."""
        settings = self._settings
        own = [key for key in keys if key.instrument in settings.instruments]
        watched = {name: settings.of(name) for name in {key.instrument for key in own}}
        with self._store() as store:
            judged = judge_last(store, watched, own, settings.account)
        return [None if (bar := judged.get(key)) is None else distance(bar) for key in keys]

    def explained(self, instrument: str, timeframe: str, at: str) -> Explained:
        """Explain a bar, rule by rule; NothingHereError if there is none."""
        with self._store() as store:
            return explained(
                bar_of(self._settings, store, instrument, timeframe, at), self._settings.station.zone, store
            )

    def bar_values(self, instrument: str, timeframe: str, at: str) -> bytes:
        """Give the chart of a bar as values, in JSON."""
        return orjson.dumps(charts.bar_values(self._bar(instrument, timeframe, at), self._settings.station.zone))

    def bar_picture(self, instrument: str, timeframe: str, at: str, *, dark: bool) -> bytes:
        """Draw the chart of a bar, as PNG."""
        drawn = charts.bar_picture(self._bar(instrument, timeframe, at), self._settings.station.zone)
        return darkened(drawn) if dark else drawn

    def story_values(self, story: str) -> bytes | None:
        """Give the chart of a story as values, in JSON; None if its bars are gone."""
        with self._store() as store:
            told = self._told(store, story)
            values = charts.story_values(store, told, self._settings)
        return None if values is None else orjson.dumps(values)

    def story_picture(self, story: str, *, dark: bool) -> bytes | None:
        """Draw a story up to its last event, as PNG; None if its bars are gone."""
        with self._store() as store:
            told = self._told(store, story)
            drawn = charts.story_picture(store, told, self._settings)
        return darkened(drawn) if drawn is not None and dark else drawn

    def sheet(self, setup: str) -> SetupSheet:
        """Explain a setup: its rules, numbers and evidence."""
        found, rulebook = self._chosen(setup)
        about, spoken = found.setup, speak(found, example_fit(rulebook.setups[0], rulebook.rules))
        return SetupSheet(
            about.bars,
            about.places,
            bool(about.forming),
            rules=spoken.rules,
            numbers=numbers_of(found),
            has_changes=bool(found.here),
            evidence=spoken.evidence,
            spoiled=spoken.spoiled_by,
        )

    def setup_picture(self, setup: str, *, dark: bool) -> bytes | None:
        """Draw the first such setup of the demo feed, as PNG; None if that has none."""
        found = example(self._chosen(setup)[1], "png")
        if found is None:
            return None
        return darkened(found[1]) if dark else found[1]

    def _bar(self, instrument: str, timeframe: str, at: str) -> JudgedBar:
        with self._store() as store:
            return bar_of(self._settings, store, instrument, timeframe, at)

    def _told(self, store: Store, story: str) -> list[Event]:
        """Give the setup of a story as last reported, and its later events."""
        found = stories(store.events.story(story))
        if not found:
            raise NothingHereError(NO_STORY)
        return found[0].version

    def _chosen(self, setup: str) -> tuple[Listed, Rulebook]:
        """Find a setup, and make a rulebook with only this setup."""
        found = self._setups.get(setup)
        if found is None:
            raise NothingHereError(NO_SETUP)
        rules = next(iter(self._rulebooks.values())).rules
        return found, Rulebook(rules, (Chosen(found.setup, found.numbers),))
