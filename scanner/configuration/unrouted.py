"""Important events that no route takes: setups, their outcomes, and late feeds."""

from __future__ import annotations

from typing import TYPE_CHECKING

from scanner.configuration.mistakes import Mistake
from scanner.configuration.routing import sinks_for
from scanner.events import KINDS, Event
from scanner.wording.words import named

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from scanner.configuration.model.settings import Settings
    from scanner.events import Kind

DIRECTIONS = ("long", "short")
FIRST = ("routes", 0)
MOST_EVIDENCE = 10
"""The most that a route can require."""
FOLLOWING = tuple(kind for kind, facts in KINDS.items() if facts.follows and facts.urgency != "low")
"""Later events that a user who acts on a setup needs."""

Series = tuple[str, str]
"""An instrument and a timeframe."""


def unrouted(settings: Settings) -> Iterator[Mistake]:
    """Warn of what reaches no sink: a direction or all setups of a series, what follows on them, a feed that is late.

    A route that requires much evidence is intended, and gives no warning.
    """
    if settings.routes:
        yield from _of_setups(settings)
        if not sinks_for(Event("feed.late", "", 0, "", {}), {}, settings.routes, list(settings.sinks)):
            text = "no route takes feed.late, so a silent feed would go unnoticed: add it to the kinds of a "
            yield Mistake(FIRST, text + "route", warning=True)


def unrouted_ahead(settings: Settings) -> Iterator[Mistake]:
    """Warn of setups announced one bar ahead that no route names, and of routes that name what is off.

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
        text = f"no route names setup.forming of {_whose(lost, series)}, and it is sent only if one does: add it to "
        where = "the kinds of a route" + ("" if settings.routes else ", and add a route without kinds for all others")
        yield Mistake(("setups",), text + where, warning=True)
    for number, route in enumerate(settings.routes):
        if "setup.forming" in route.kinds and settings.instruments and not ahead:
            text = "names setup.forming, which is off for every setup: add forming = true to the table of one"
            yield Mistake(("routes", number, "kinds"), text, warning=True)


def _of_setups(settings: Settings) -> Iterator[Mistake]:
    series, takes = _series(settings), _Taken(settings)
    taken = {side: {each for each in series if takes("setup.qualified", each, side)} for side in DIRECTIONS}
    some = set[Series]().union(*taken.values())
    lost = [each for each in series if each not in some]
    if lost:
        text = f"no route takes setup.qualified of {_whose(lost, series)}; such setups will not be reported: check "
        yield Mistake(FIRST, text + "kinds, groups and timeframes", warning=True)
    for side, these in taken.items():
        lost = [each for each in series if each in some and each not in these]
        if lost:
            text = f"no route takes setup.qualified of {_whose(lost, series)} in the direction {side}; such setups "
            yield Mistake(FIRST, text + "will not be reported: check directions", warning=True)
    missing: dict[tuple[Kind, ...], list[Series]] = {}
    for each in series:
        if kinds := _kinds_without_route(each, takes, settings):
            missing.setdefault(kinds, []).append(each)
    for kinds, affected in missing.items():
        text = f"a route takes setup.qualified of {_whose(affected, series)}, but none takes {', '.join(kinds)}; "
        add = "it" if len(kinds) == 1 else "them"
        text += f"if you act on a setup, you need to know how it goes on: add {add} to the kinds of that route"
        yield Mistake(FIRST, text, warning=True)


def _kinds_without_route(series: Series, takes: _Taken, settings: Settings) -> tuple[Kind, ...]:
    """Give the kinds that follow a setup of a series and that no route takes, although one takes the setup."""
    # The answer changes only at the amounts of evidence that routes require.
    steps = {route.least_evidence for route in settings.routes}
    taken = [
        (side, points) for side in DIRECTIONS for points in steps if takes("setup.qualified", series, side, points)
    ]
    return tuple(kind for kind in FOLLOWING if not all(takes(kind, series, *each) for each in taken))


def _series(settings: Settings) -> list[Series]:
    return [(name, each) for name in settings.instruments for each in settings.setting_of(name, "timeframes") or ()]


def _whose(these: Sequence[Series], of: Sequence[Series]) -> str:
    return named([" ".join(each) for each in these]) if len(these) < len(of) else "any series"


class _Taken:
    """Answers whether any route takes the events of a series; computed once for each group and timeframe."""

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
