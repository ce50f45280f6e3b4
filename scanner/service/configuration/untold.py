"""What no route takes though somebody should be told of it: setups, what becomes of them, and that a feed is late."""

from __future__ import annotations

from typing import TYPE_CHECKING

from scanner.events import KINDS, Event
from scanner.service.configuration.mistakes import Mistake
from scanner.service.delivery.routing import sinks_for

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from scanner.events import Kind
    from scanner.settings import Settings

NAMED = 3
"""So many instruments or series are named for an example, and the others counted."""
DIRECTIONS = ("long", "short")
FIRST = ("routes", 0)
MOST_EVIDENCE = 10
"""More no route can ask for."""
FOLLOWING = tuple(kind for kind, facts in KINDS.items() if facts.follows and facts.urgency != "low")
"""What whoever acts on a setup has to hear of it later."""

Series = tuple[str, str]
"""An instrument and a timeframe."""


def named(names: Sequence[str]) -> str:
    """Name the first, and count the others."""
    return ", ".join(names[:NAMED]) + (f" and {len(names) - NAMED:,} more" if len(names) > NAMED else "")


def untold(settings: Settings) -> Iterator[Mistake]:
    """Warn of what reaches no sink: a direction or all setups of a series, what follows on them, a feed that is late.

    That a route wants much evidence is meant, and not warned of.
    """
    if settings.routes:
        yield from _of_setups(settings)
        if not sinks_for(Event("feed.late", "", 0, "", {}), {}, settings.routes, list(settings.sinks)):
            text = "no route takes feed.late; nobody would be told that nobody is looking: add it to the kinds of a "
            yield Mistake(FIRST, text + "route", warning=True)


def untold_ahead(settings: Settings) -> Iterator[Mistake]:
    """Warn of setups that are to be told one bar ahead and whom no route names, and of routes that name what is off.

    There must be no ``wrong_rules``.
    """
    ahead = {name for name in settings.instruments if any(each.forming for each in settings.rulebook_of(name).setups)}
    series, takes = _series(settings), _Taken(settings)
    lost = [
        each
        for each in series
        if each[0] in ahead and not any(takes("setup.forming", each, side) for side in DIRECTIONS)
    ]
    if lost:
        text = (
            f"forming is on for {_whose(lost, series)}, but no route names setup.forming there, and it goes only where "
        )
        yield Mistake(("setups",), text + "one does: add it to the kinds of a route", warning=True)
    for number, route in enumerate(settings.routes):
        if "setup.forming" in route.kinds and settings.instruments and not ahead:
            text = "names setup.forming, which is said of no setup: add forming = true to the table of one"
            yield Mistake(("routes", number, "kinds"), text, warning=True)


def _of_setups(settings: Settings) -> Iterator[Mistake]:
    series, takes = _series(settings), _Taken(settings)
    taken = {side: {each for each in series if takes("setup.qualified", each, side)} for side in DIRECTIONS}
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
    missing: dict[tuple[Kind, ...], list[Series]] = {}
    for each in series:
        if kinds := _unheard(each, takes, settings):
            missing.setdefault(kinds, []).append(each)
    for kinds, unheard in missing.items():
        text = f"a route takes setup.qualified of {_whose(unheard, series)}, but none takes {', '.join(kinds)}; "
        add = "it" if len(kinds) == 1 else "them"
        text += f"whoever acts on a setup has to hear what becomes of it: add {add} to the kinds of that route"
        yield Mistake(FIRST, text, warning=True)


def _unheard(series: Series, takes: _Taken, settings: Settings) -> tuple[Kind, ...]:
    """Give the kinds that follow on a setup of a series, and that no route takes where one takes the setup."""
    # What the routes take changes only where the evidence reaches what one of them asks for.
    steps = {route.least_evidence for route in settings.routes}
    heard = [
        (side, points) for side in DIRECTIONS for points in steps if takes("setup.qualified", series, side, points)
    ]
    return tuple(kind for kind in FOLLOWING if not all(takes(kind, series, *each) for each in heard))


def _series(settings: Settings) -> list[Series]:
    return [(name, each) for name in settings.instruments for each in settings.said_of(name, "timeframes") or ()]


def _whose(these: Sequence[Series], of: Sequence[Series]) -> str:
    return named([" ".join(each) for each in these]) if len(these) < len(of) else "any series"


class _Taken:
    """Answers whether any route takes what is said of a series; asked once for all of a group and timeframe."""

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        self._known: dict[tuple[str, ...], bool] = {}

    def __call__(self, kind: Kind, series: Series, side: str, points: int = MOST_EVIDENCE) -> bool:
        name, timeframe = series
        group = self._settings.instruments[name].group or ""
        about = (kind, group, timeframe, side, str(points))
        if about not in self._known:
            data = {"instrument": name, "timeframe": timeframe, "direction": side, "evidence_points": points}
            sinks = sinks_for(
                Event(kind, "", 0, "", data), {name: group}, self._settings.routes, list(self._settings.sinks)
            )
            self._known[about] = bool(sinks)
        return self._known[about]
