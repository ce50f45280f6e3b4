"""Which event goes to which sinks."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from scanner.configuration.model.tables import Route
from scanner.configuration.routing import sinks_for
from tests.adapters.samples import forming_event, set_aside_event, setup_event, station_event, withdrawn_event
from tests.adapters.story_samples import FOLLOWING, story_event

if TYPE_CHECKING:
    from scanner.events import Event

SINKS = ("console", "mail", "broker")
GROUPS = {"HARBOUR": "shares", "GANNET": "metals"}
SETUP = setup_event("HARBOUR", "15m", "long")  # with 7 points of evidence
SET_ASIDE = set_aside_event()


def route(**conditions: Any) -> Route:  # noqa: ANN401 - as in a file
    return Route.model_validate({"sinks": ["mail"]} | conditions)


def test_without_routes_every_sink_gets_everything() -> None:
    for kind in FOLLOWING:
        assert sinks_for(story_event(kind, SETUP), GROUPS, (), SINKS) == SINKS
    assert sinks_for(SETUP, GROUPS, (), SINKS) == SINKS
    assert sinks_for(station_event(), GROUPS, (), SINKS) == SINKS


@pytest.mark.parametrize(
    ("conditions", "fits"),
    [
        ({}, True),
        ({"kinds": ["setup.qualified"]}, True),
        ({"kinds": ["setup.withdrawn"]}, False),
        ({"groups": ["shares", "metals"]}, True),
        ({"groups": ["metals"]}, False),
        ({"timeframes": ["15m"]}, True),
        ({"timeframes": ["1h", "4h"]}, False),
        ({"directions": ["long"]}, True),
        ({"directions": ["short"]}, False),
        ({"least_evidence": 7}, True),
        ({"least_evidence": 8}, False),
        ({"groups": ["shares"], "timeframes": ["1h"]}, False),
    ],
)
def test_every_condition_of_a_route_must_hold(conditions: dict[str, Any], fits: bool) -> None:
    assert sinks_for(SETUP, GROUPS, [route(**conditions)], SINKS) == (("mail",) if fits else ())


def test_an_instrument_without_a_group_passes_no_route_for_groups() -> None:
    assert sinks_for(setup_event("STRAY"), GROUPS | {"STRAY": ""}, [route(groups=["shares"])], SINKS) == ()


def test_an_instrument_that_left_the_list_passes_every_route_for_groups() -> None:
    gone = story_event("setup.broken_off", setup_event("GONE"))
    assert sinks_for(gone, GROUPS, [route(groups=["shares"]), route(sinks=["broker"], groups=["metals"])], SINKS) == (
        "mail",
        "broker",
    )
    assert sinks_for(gone, GROUPS, [route(groups=["shares"], timeframes=["1h"])], SINKS) == ()


def test_conditions_hold_back_only_what_they_are_about() -> None:
    narrow = [route(groups=["metals"], timeframes=["1h"], directions=["short"], least_evidence=9)]
    assert sinks_for(station_event(), GROUPS, narrow, SINKS) == ("mail",)
    assert sinks_for(withdrawn_event(SETUP), GROUPS, [route(directions=["short"])], SINKS) == ()


ASIDE = [SET_ASIDE, withdrawn_event(SET_ASIDE), *(story_event(kind, SET_ASIDE) for kind in FOLLOWING)]


@pytest.mark.parametrize("event", ASIDE, ids=lambda event: event.kind)
def test_what_was_set_aside_goes_only_where_a_route_names_that_kind(event: Event) -> None:
    assert sinks_for(event, GROUPS, (), SINKS) == ()
    assert sinks_for(event, GROUPS, [route()], SINKS) == ()
    own = [event.kind] if event.facts.follows else ["setup.withdrawn"]
    assert sinks_for(event, GROUPS, [route(kinds=["setup.qualified", *own])], SINKS) == ()
    assert sinks_for(event, GROUPS, [route(kinds=["setup.set_aside", *own])], SINKS) == ("mail",)
    assert sinks_for(event, GROUPS, [route(kinds=["setup.set_aside", "feed.late"])], SINKS) == (
        ("mail",) if event.facts.begins else ()
    )
    assert sinks_for(event, GROUPS, [route(kinds=["setup.set_aside", event.kind], groups=["metals"])], SINKS) == ()


@pytest.mark.parametrize(("least", "sinks"), [(7, ("mail",)), (8, ())])
def test_later_events_go_where_the_evidence_of_their_setup_led(least: int, sinks: tuple[str, ...]) -> None:
    for event in (SETUP, withdrawn_event(SETUP), *(story_event(kind, SETUP) for kind in FOLLOWING)):
        assert sinks_for(event, GROUPS, [route(least_evidence=least)], SINKS) == sinks


def test_an_announcement_goes_only_where_a_route_names_it() -> None:
    ahead = forming_event(SETUP)
    for routes in ((), [route()], [route(kinds=["setup.qualified"])]):
        assert sinks_for(ahead, GROUPS, routes, SINKS) == ()
    assert sinks_for(ahead, GROUPS, [route(kinds=["setup.forming"], least_evidence=10)], SINKS) == ("mail",)
    assert sinks_for(ahead, GROUPS, [route(kinds=["setup.forming"], directions=["short"])], SINKS) == ()


def test_an_event_takes_every_route_that_fits_and_each_sink_once() -> None:
    routes = [
        route(sinks=["broker", "mail"]),
        route(sinks=["console"], kinds=["feed.late"]),
        route(sinks=["mail", "console"]),
    ]
    assert sinks_for(SETUP, GROUPS, routes, SINKS) == ("broker", "mail", "console")
    assert sinks_for(SETUP, GROUPS, routes[1:2], SINKS) == ()
