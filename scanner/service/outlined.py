"""The outline of a configuration, for programs that look at a station from outside."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from scanner.clocks import SECOND
from scanner.configuration.adapters import prepare
from scanner.configuration.hazards import hazards
from scanner.configuration.model.outline import Outline
from scanner.ports import FeedLimits, Limited, PlayedFeed
from scanner.service.changes.config_mark import fixed_mark
from scanner.studies.kept.marks import marks_of

if TYPE_CHECKING:
    from collections.abc import Mapping

    from scanner.configuration.adapters import Prepared
    from scanner.configuration.model.outline import OnList
    from scanner.configuration.model.settings import Settings
    from scanner.market.sessions.calendars import Calendar

YEARS_BACK = 25
"""Years before this one whose sessions are included: no series is further behind."""


def outline_of(settings: Settings, environ: Mapping[str, str], now: int) -> Outline:
    """Outline a configuration at ``now`` (nanoseconds since 1970 UTC)."""
    year = datetime.fromtimestamp(now // SECOND, UTC).year
    calendars: dict[Calendar, Calendar] = {}
    ways: dict[OnList, OnList] = {}
    listed = {}
    for name in settings.instruments:
        own = settings.of(name).on_list
        if own not in ways:
            calendar = calendars.setdefault(own.calendar, own.calendar.held(year - YEARS_BACK, year + 1))
            ways[own] = replace(own, calendar=calendar)
        listed[name] = ways[own]
    feeds = {name: prepare("feeds", name, settings, environ) for name in settings.feeds}
    return Outline(
        settings.station.name,
        settings.station.zone,
        settings.store_path,
        settings.mark,
        fixed_mark(settings),
        settings.account,
        settings.limits,
        settings.follow,
        listed,
        {name: _limits_of(each).patience for name, each in feeds.items()},
        is_played(settings, environ),
        tuple(settings.sinks),
        Counter(marks_of(settings, settings.rulebook_of(), settings.instruments).values()),
        settings.study.max_age,
        tuple(each.sentence for each in hazards(settings, now)),
    )


def is_played(settings: Settings, environ: Mapping[str, str]) -> bool:
    """Say whether the bars of a configuration are those of a recording."""
    kinds = [prepare("feeds", name, settings, environ).kind for name in settings.feeds]
    return any(isinstance(kind, type) and issubclass(kind, PlayedFeed) for kind in kinds)


def _limits_of(prepared: Prepared) -> FeedLimits:
    """Give how a feed that is not made wants to be asked, as far as its settings say."""
    return prepared.settings.limits if isinstance(prepared.settings, Limited) else FeedLimits()
