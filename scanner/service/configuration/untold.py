"""What no route takes though somebody should be told of it: setups and their withdrawal, and that a feed is late."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from scanner.events import Event
from scanner.service.configuration.mistakes import Mistake
from scanner.service.delivery.routing import sinks_for

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from scanner.settings import Settings

NAMED = 3
"""So many instruments or series are named for an example, and the others counted."""
DIRECTIONS = ("long", "short")
FIRST = ("routes", 0)
MOST_EVIDENCE = 10
"""More no route can ask for."""

Series = tuple[str, str]
"""An instrument and a timeframe."""


def named(names: Sequence[str]) -> str:
    """Name the first, and count the others."""
    return ", ".join(names[:NAMED]) + (f" and {len(names) - NAMED:,} more" if len(names) > NAMED else "")


def untold(settings: Settings) -> Iterator[Mistake]:
    """Warn of what reaches no sink: a direction or all setups of a series, their withdrawal, and a feed that is late.

    That a route wants much evidence is meant, and not warned of.
    """
    if settings.routes:
        yield from _of_setups(settings)
        if not sinks_for(Event("feed.late", "", 0, "", {}), {}, settings.routes, list(settings.sinks)):
            text = "no route takes feed.late; nobody would be told that nobody is looking: add it to the kinds of a "
            yield Mistake(FIRST, text + "route", warning=True)


def _of_setups(settings: Settings) -> Iterator[Mistake]:
    series = _series(settings)
    taken = {side: {each for each in series if _takes("setup.qualified", each, side, settings)} for side in DIRECTIONS}
    some = set[Series]().union(*taken.values())
    lost = [each for each in series if each not in some]
    if lost:
        text = f"no route takes setup.qualified of {_whose(lost, series)}; nobody will be told of such setups: look at "
        yield Mistake(FIRST, text + "kinds, groups and timeframes", warning=True)
    for side, these in taken.items():
        lost = [each for each in series if each in some and each not in these]
        if lost:
            text = f"no route takes setup.qualified of {_whose(lost, series)} where it is {side}; nobody will be told "
            yield Mistake(FIRST, text + "of such setups: look at directions", warning=True)
    # What the routes take changes only where the evidence reaches what one of them asks for.
    steps = {route.least_evidence for route in settings.routes}
    kept = {
        each
        for side, these in taken.items()
        for each in these
        for points in steps
        if _takes("setup.qualified", each, side, settings, points)
        and not _takes("setup.withdrawn", each, side, settings, points)
    }
    if kept:
        whose = _whose([each for each in series if each in kept], series)
        text = f"a route takes setup.qualified of {whose}, but none takes setup.withdrawn; whoever acts on a setup has "
        yield Mistake(FIRST, text + "to hear of its withdrawal: add it to the kinds of that route", warning=True)


def _series(settings: Settings) -> list[Series]:
    return [(name, each) for name in settings.instruments for each in settings.said_of(name, "timeframes") or ()]


def _whose(these: Sequence[Series], of: Sequence[Series]) -> str:
    return named([" ".join(each) for each in these]) if len(these) < len(of) else "any series"


def _takes(
    kind: Literal["setup.qualified", "setup.withdrawn"],
    series: Series,
    side: str,
    settings: Settings,
    points: int = MOST_EVIDENCE,
) -> bool:
    name, timeframe = series
    data = {"instrument": name, "timeframe": timeframe, "direction": side, "evidence_points": points}
    event = Event(kind, "", 0, "", data)
    group_of = {name: settings.instruments[name].group or ""}
    return bool(sinks_for(event, group_of, settings.routes, list(settings.sinks)))
