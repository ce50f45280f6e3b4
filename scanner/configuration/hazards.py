"""Hazards for an unattended station: high risk and unreliable dates, and what is still to come."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

from scanner.clocks import SECOND
from scanner.configuration.mistakes import Mistake
from scanner.market.sessions.dates import concerning_nobody
from scanner.market.sessions.timeframes import Timeframe
from scanner.wording.times import moment
from scanner.wording.words import named

if TYPE_CHECKING:
    from collections.abc import Iterator

    from scanner.configuration.model.settings import Settings

OF_DATES = ("surroundings", "dates")
"""The setting that names the file of dates."""
ONE_DAY = timedelta(days=1)
"""It may be tomorrow already where the user is."""
TOLD = 3
"""How many errors of a file are reported one by one; the others are counted."""


def hazards(settings: Settings, now: int) -> Iterator[Mistake]:
    """Warn of settings that are valid but unwise; ``now`` is in nanoseconds since 1970 UTC."""
    if settings.account.large_risk:
        yield Mistake(("account", "risk_fraction"), settings.account.large_risk, warning=True)
    yield from _rates_of_the_future(settings, now)
    yield from _open_at_the_close(settings)
    yield from wrong_dates(settings)
    yield from _old_dates(settings, now)


def _rates_of_the_future(settings: Settings, now: int) -> Iterator[Mistake]:
    """Warn of exchange rates whose day is still to come: nobody would hear when they are old."""
    today, day = datetime.fromtimestamp(now // SECOND, UTC).date(), settings.account.fx_date
    if day is not None and day > today + ONE_DAY:
        yield Mistake(("account", "fx_date"), f"{day} is still to come; give the day of the rates in fx", warning=True)


def _open_at_the_close(settings: Settings) -> Iterator[Mistake]:
    """Say where positions cannot be left by the close of a session, since nobody knows when that is."""
    if not settings.follow.flat_by_close:
        return
    unknown = [
        name
        for name in settings.instruments
        if settings.setting_of(name, "calendar") in {None, "none"}
        and any(Timeframe.named(each).intraday for each in settings.setting_of(name, "timeframes") or ())
    ]
    if unknown:
        text = (
            f"the sessions of {named(unknown)} are unknown, so positions there stay open at the close; give a calendar"
        )
        yield Mistake(("follow", "flat_by_close"), text, warning=True)


def coming_splits(settings: Settings, now: int) -> Iterator[str]:
    """Say when each known split that is still to come takes effect; ``now`` is in nanoseconds since 1970 UTC."""
    for watched in (settings.of(name) for name, own in settings.instruments.items() if own.adjustments):
        for split in watched.adjustments:
            if split.time > now:
                when = moment(split.time, settings.station.zone, watched.calendar.tz)
                yield f"{watched.instrument.symbol}: a split of {split} takes effect with the first bar from {when} on."


def wrong_dates(settings: Settings) -> Iterator[Mistake]:
    """Say what of the file of dates cannot be used; setups are judged without that."""
    path, dates = settings.surroundings.dates, settings.dates
    if path is None:
        return
    troubles = list(dates.troubles[:TOLD])
    if len(dates.troubles) > TOLD:
        troubles.append(f"{settings.folder / path}: {len(dates.troubles) - TOLD:,} more lines are left out")
    if unknown := concerning_nobody(dates.found or (), [*settings.instruments, *settings.groups]):
        troubles.append(
            f"{settings.folder / path}: there is no instrument or group {named(unknown)}; correct or remove the lines"
        )
    for text in troubles:
        yield Mistake(OF_DATES, text, warning=True)


def _old_dates(settings: Settings, now: int) -> Iterator[Mistake]:
    path, dates = settings.surroundings.dates, settings.dates
    if path is None:
        return
    if (past := dates.past(now)) is not None:
        text = f"its last date, {past}, has passed; add the next ones"
        yield Mistake(OF_DATES, f"{settings.folder / path}: {text}", warning=True)
    elif dates.found == ():
        yield Mistake(OF_DATES, f"{settings.folder / path}: it contains no dates; add the next ones", warning=True)
