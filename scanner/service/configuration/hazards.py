"""What a station should not be left alone with: much at risk, or dates that cannot be relied on."""

from __future__ import annotations

from typing import TYPE_CHECKING

from scanner.market.dates import concerning_nobody
from scanner.service.configuration.mistakes import Mistake
from scanner.service.configuration.untold import named

if TYPE_CHECKING:
    from collections.abc import Iterator

    from scanner.settings import Settings

TOLD = 3
"""So many troubles of a file are told one by one, and the others counted."""


def hazards(settings: Settings, now: int) -> Iterator[Mistake]:
    """Warn of what a configuration can be used with, but hardly should; ``now`` is in nanoseconds since 1970 UTC."""
    if settings.account.large_risk:
        yield Mistake(("account", "risk_fraction"), settings.account.large_risk, warning=True)
    for text in _of_dates(settings, now):
        yield Mistake(("surroundings", "dates"), text, warning=True)


def _of_dates(settings: Settings, now: int) -> Iterator[str]:
    path, dates = settings.surroundings.dates, settings.dates
    if path is None:
        return
    yield from dates.troubles[:TOLD]
    if len(dates.troubles) > TOLD:
        yield f"{settings.folder / path}: {len(dates.troubles) - TOLD:,} more lines are left out"
    if (past := dates.past(now)) is not None:
        yield f"{settings.folder / path}: its last date, {past}, has passed; add those to come"
    elif dates.found == ():
        yield f"{settings.folder / path}: it holds no date; add those to come"
    if nobody := concerning_nobody(dates.found or (), [*settings.instruments, *settings.groups]):
        yield f"{settings.folder / path}: there is no instrument or group {named(nobody)}; correct or remove the lines"
