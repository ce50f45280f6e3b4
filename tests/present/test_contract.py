"""The published contract: events keep to it, what breaks it is refused, and the shipped files are up to date."""

from __future__ import annotations

import json
import re
from copy import deepcopy
from typing import TYPE_CHECKING, Any, get_args

import pytest
from jsonschema import Draft202012Validator
from referencing import Registry, Resource
from referencing.jsonschema import DRAFT202012

from adapters.sinks.envelope import envelope
from adapters.sinks.mqtt.topics import Topics
from scanner.events import KINDS, Kind
from scanner.ports import Message, Notes
from scanner.present.contract.contract import FOLDER, documents, schema
from tests.adapters.samples import HOSTILE_NAMES, RECORD, setup_event, withdrawn_event
from tests.commands.typed import closewatch
from tests.demo_setups import replayed
from tests.present.each_kind import one_of_each

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    Change = Callable[[dict[str, Any]], object]

SCHEMA = schema()
INTERFACE: dict[str, Any] = json.loads(documents()["asyncapi.json"])
FORBIDDEN = re.compile("[\x00-\x1f\x7f-\x9f]")


def validator(document: dict[str, Any] = SCHEMA) -> Draft202012Validator:
    return Draft202012Validator(document, format_checker=Draft202012Validator.FORMAT_CHECKER)


def closed(document: dict[str, Any]) -> dict[str, Any]:
    """Make a schema refuse every field that it does not name."""
    copy = deepcopy(document)
    for made in copy["$defs"].values():
        made["additionalProperties"] = False
    return copy


def test_what_is_shipped_is_what_the_types_say() -> None:
    assert {path.name: path.read_text(encoding="utf-8") for path in FOLDER.iterdir()} == documents()
    assert set(KINDS) == set(get_args(Kind))
    Draft202012Validator.check_schema(SCHEMA)


def test_formats_are_checked_here() -> None:
    """Without the libraries of the extra `jsonschema[format]` a format would be taken on trust."""
    assert {"date-time", "uri-reference"} <= set(Draft202012Validator.FORMAT_CHECKER.checkers)


def test_events_of_the_demo_keep_to_it_and_say_nothing_beyond_it() -> None:
    strict, count = validator(closed(SCHEMA)), 0
    for each in replayed().values():
        for event in each.events[::3]:
            said = json.loads(event.to_json())
            assert strict.is_valid(said), next(strict.iter_errors(said))
            count += 1
    assert count > 50


@pytest.mark.parametrize("name", ["HARBOUR", *HOSTILE_NAMES.values()], ids=lambda name: name[:9])
def test_every_kind_keeps_to_it_whatever_the_names(name: str) -> None:
    check = validator(closed(SCHEMA))
    for kind, event in one_of_each(name).items():
        for late in (False, True):
            said = json.loads(json.dumps(envelope(Message(event, late=late, notes=Notes(record=RECORD * late)))))
            assert said["type"] == f"closewatch.{kind}"
            if said["subject"]:
                check.validate(said)
            attributes = [value for key, value in said.items() if key != "data" and isinstance(value, str)]
            assert not any(FORBIDDEN.search(value) for value in attributes)


BROKEN: dict[str, Change] = {
    "no id": lambda event: event.pop("id"),
    "an id of another form": lambda event: event.update(id="42"),
    "an unknown type": lambda event: event.update(type="closewatch.setup.guessed"),
    "the data of another kind": lambda event: event.update(type="closewatch.feed.late"),
    "no thread": lambda event: event.pop("thread"),
    "a time that is none": lambda event: event.update(time="yesterday at noonZ"),
    "a day that is none": lambda event: event.update(time="2026-02-30T16:00:00Z"),
    "a local time": lambda event: event.update(time="2026-03-02T17:00:00+01:00"),
    "a price as a number": lambda event: event["data"].update(close=101.2),
    "a price with an exponent": lambda event: event["data"]["levels"].update(stop="1E+2"),
    "a price with a comma": lambda event: event["data"]["entries"]["break"].update(price="101,20"),
    "no stop": lambda event: event["data"]["levels"].pop("stop"),
    "a currency that is none": lambda event: event["data"].update(currency="euro"),
    "a third direction": lambda event: event["data"].update(direction="sideways"),
    "an unknown place": lambda event: event["data"].update(place="moon"),
    "a verdict in words": lambda event: event["data"]["rules"]["place"].update(verdict="yes"),
}


@pytest.mark.parametrize("what", BROKEN)
def test_what_breaks_it_is_refused(what: str) -> None:
    said = json.loads(setup_event().to_json())
    validator().validate(said)
    BROKEN[what](said)
    assert not validator().is_valid(said)


def references(part: Any, path: str = "#") -> Iterator[tuple[str, str]]:  # noqa: ANN401 - any part of a document
    if isinstance(part, dict):
        if "$ref" in part:
            yield path, part["$ref"]
        for name, inner in part.items():
            yield from references(inner, f"{path}/{name}")
    elif isinstance(part, list):
        for number, inner in enumerate(part):
            yield from references(inner, f"{path}/{number}")


def at(reference: str) -> Any:  # noqa: ANN401 - any part of a document
    found: Any = INTERFACE
    for name in reference.removeprefix("#/").split("/"):
        found = found[name.replace("~1", "/").replace("~0", "~")]
    return found


def test_the_interface_has_the_shape_of_asyncapi_3() -> None:
    """The fields that AsyncAPI 3.0.0 requires, and where its references may point; from memory of its specification."""
    assert INTERFACE["asyncapi"] == "3.0.0"
    assert {"title", "version"} <= set(INTERFACE["info"])
    assert all(at(reference) is not None for _, reference in references(INTERFACE))
    for server in INTERFACE["servers"].values():
        assert {"host", "protocol"} <= set(server)
        assert set(re.findall(r"{(\w+)}", server["host"])) == set(server["variables"])
    for name, channel in INTERFACE["channels"].items():
        assert set(re.findall(r"{(\w+)}", channel["address"])) == set(channel["parameters"]), name
        for about in channel["parameters"].values():
            assert set(about) <= {"enum", "default", "description", "examples", "location"}
        for message in channel["messages"].values():
            assert message["$ref"].startswith("#/components/messages/")
    for name, operation in INTERFACE["operations"].items():
        assert operation["action"] == ("receive" if name == "hearDecisions" else "send")
        channel = operation["channel"]["$ref"]
        assert channel.startswith("#/channels/")
        assert [each["$ref"] for each in operation["messages"]] == [
            f"{channel}/messages/{name}" for name in at(channel)["messages"]
        ]
    assert {operation["channel"]["$ref"] for operation in INTERFACE["operations"].values()} == {
        f"#/channels/{name}" for name in INTERFACE["channels"]
    }
    names = [*INTERFACE["components"]["messages"], *INTERFACE["components"]["schemas"], *INTERFACE["operations"]]
    assert all(re.fullmatch(r"[A-Za-z0-9._-]+", name) for name in names)


def channel_of(topic: str) -> dict[str, Any]:
    """Find the one channel whose address a topic fits; each parameter but the prefix is one level."""
    fitting = [
        channel
        for channel in INTERFACE["channels"].values()
        if re.fullmatch(re.sub(r"{(\w+)}", "[^/]+", channel["address"]), topic)
    ]
    assert len(fitting) == 1, topic
    found: dict[str, Any] = fitting[0]
    return found


@pytest.mark.parametrize("name", ["HARBOUR", *HOSTILE_NAMES.values()], ids=lambda name: name[:9])
def test_each_event_goes_out_where_the_interface_says_and_as_it_says(name: str) -> None:
    topics = Topics("closewatch", "loft")
    registry: Registry[Any] = Registry().with_resource(
        "urn:interface", Resource.from_contents(INTERFACE, default_specification=DRAFT202012)
    )
    for kind, event in one_of_each(name).items():
        assert channel_of(topics.of(event))["messages"][kind] == {"$ref": f"#/components/messages/{kind}"}
        payload = {"$ref": f"urn:interface#/components/messages/{kind}/payload"}
        check = Draft202012Validator(payload, registry=registry, format_checker=Draft202012Validator.FORMAT_CHECKER)
        said = json.loads(event.to_json())
        if said["subject"]:
            check.validate(said)
        said["data"].pop("instrument" if "instrument" in said["data"] else "series")
        assert not check.is_valid(said)
    assert list(channel_of(topics.station)["messages"]) == ["station.state"]


def test_each_channel_names_the_kinds_that_go_out_there_and_no_other() -> None:
    topics, events = Topics("closewatch", "loft"), one_of_each()
    found: dict[str, set[str]] = {}
    for kind, event in events.items():
        found.setdefault(channel_of(topics.of(event))["address"], set()).add(kind)
    state = topics.state_of(events["setup.qualified"])
    assert state is not None
    # The end of a story clears its topic with an empty message; one that was set aside keeps nothing.
    goes_on = {"setup.qualified", "setup.entered", "setup.stop_raised", "setup.pressure", "setup.exit_signal"}
    assert {topics.state_of(events[kind]) for kind in goes_on} == {state}  # type: ignore[index]  # a set of texts
    found[channel_of(state)["address"]] = goes_on
    found[channel_of(topics.station)["address"]] = {"station.state"}
    found[channel_of(topics.decide)["address"]] = {"decision"}
    found[channel_of(topics.decided)["address"]] = {"decision.answer"}
    assert {each["address"]: set(each["messages"]) for each in INTERFACE["channels"].values()} == found


def test_the_command_prints_both() -> None:
    for what, name in (("schema", "events.schema.json"), ("asyncapi", "asyncapi.json")):
        assert closewatch("contract", what) == (0, documents()[name], "")


def test_later_events_of_a_setup_have_its_thread() -> None:
    setup = setup_event()
    said, taken_back = json.loads(setup.to_json()), json.loads(withdrawn_event(setup).to_json())
    assert taken_back["thread"] == said["id"] == taken_back["data"]["withdraws"]
