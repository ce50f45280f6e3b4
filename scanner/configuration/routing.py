"""Which sinks an event goes to."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from scanner.configuration.model.tables import Route
    from scanner.events import Event


def sinks_for(
    event: Event, group_of: Mapping[str, str], routes: Sequence[Route], sinks: Sequence[str]
) -> tuple[str, ...]:
    """Give the sinks of every route that matches an event, each once; without any routes, all of ``sinks``.

    Events sent only on request need a route that names their kind; events that follow a setup set aside need a route
    that also names ``setup.set_aside``.

    ``group_of`` gives the group of each listed instrument by its name, empty if it has none.
    """
    if not routes:
        return () if event.facts.on_request or _follows_aside(event) else tuple(sinks)
    return tuple(dict.fromkeys(sink for route in routes if fits(event, group_of, route) for sink in route.sinks))


def fits(event: Event, group_of: Mapping[str, str], route: Route) -> bool:
    """Say whether a route takes an event.

    A condition applies only to events that have the property: those of a feed or the station have no group, timeframe,
    direction or evidence, and an instrument that left the list has no known group. An event that follows a setup has
    the setup's evidence.
    """
    data = event.data
    if _follows_aside(event) and "setup.set_aside" not in route.kinds:
        return False
    group = group_of.get(data.get("instrument", ""))
    return (
        (event.kind in route.kinds if route.kinds else not event.facts.on_request)
        and (not route.groups or group is None or group in route.groups)
        and (not route.timeframes or data.get("timeframe", route.timeframes[0]) in route.timeframes)
        and (not route.directions or data.get("direction", route.directions[0]) in route.directions)
        and data.get("evidence_points", route.least_evidence) >= route.least_evidence
    )


def _follows_aside(event: Event) -> bool:
    return event.facts.follows and event.data.get("set_aside", False)
