"""The MQTT interface of a station as an AsyncAPI 3.0 document."""

from __future__ import annotations

from importlib.metadata import version
from typing import TYPE_CHECKING, Any

from scanner.events import KINDS
from scanner.present.contract.decision_message import answer_schema, message_schema

if TYPE_CHECKING:
    from collections.abc import Mapping

BINDING = "0.2.0"
"""Version of AsyncAPI's MQTT bindings."""
ROOT = "{prefix}/{station}"
ENCODED = (
    "Each byte of its UTF-8 form that is not a letter, a digit or one of _.-~!'(),:;=@^& is written as % and two hex "
    "digits; an empty name is a single %."
)
PARAMETERS = {
    "prefix": {
        "default": "closewatch",
        "description": "Topic below which all stations publish; may have several levels.",
    },
    "station": {"description": f"Name of the station. {ENCODED}"},
    "instrument": {"description": f"Name of the instrument. {ENCODED}"},
    "timeframe": {"description": "Timeframe, such as 15m or 1d.", "examples": ["15m", "1d"]},
    "direction": {"enum": ["long", "short"], "description": "Direction of the setup."},
    "feed": {"description": f"Name of the feed. {ENCODED}"},
    "thread": {"description": "Id of the event that found the setup."},
}
STATES = ["watching", "stopped", "gone"]


def asyncapi(payloads: Mapping[Any, Any], schemas: Mapping[str, Any]) -> dict[str, Any]:
    """Describe the topics; ``payloads`` gives the schema of each kind of event, ``schemas`` what they refer to."""
    about = {
        topic: [kind for kind in payloads if kind.startswith(f"{topic}.")]
        for topic in dict.fromkeys(kind.partition(".")[0] for kind in payloads)
    }
    channels = {
        "setups": _channel(
            "setups/{instrument}/{timeframe}/{direction}", about["setup"], "Every event about a setup, as it happens."
        ),
        "series": _channel("series/{instrument}/{timeframe}", about["series"], "A series put on hold or resumed."),
        "feeds": _channel("feeds/{feed}", about["feed"], "A feed that is late or back."),
        "station": _channel("station", about["station"], "What the station reports about itself."),
        "stationState": _channel("state/station", ["station.state"], "Whether the station is running."),
        "setupState": _channel(
            "state/setups/{instrument}/{timeframe}/{direction}/{thread}",
            [kind for kind in about["setup"] if not (KINDS[kind].ends or KINDS[kind].on_request)],
            "The last event of each story that has not ended, for those who subscribe later; cleared by an empty "
            "message at its end. Nothing is kept of setups that are forming or were set aside.",
        ),
        "decisions": _channel(
            "decide",
            ["decision"],
            "What the user decided on a setup, if the station is configured to accept it: only from a broker that lets "
            "nobody in without a login. A retained message is refused, a repeated one changes nothing, and one that is "
            "sent while the station is away is lost.",
        ),
        "answers": _channel("decided", ["decision.answer"], "The answer to each decision that was received."),
    }
    retained = {"stationState", "setupState"}
    state = {
        "type": "object",
        "properties": {
            "station": {"type": "string"},
            "state": {"enum": STATES, "description": "gone is the last will: the connection broke."},
        },
        "required": ["station", "state"],
    }
    messages = {kind: _message(kind, payload, "application/cloudevents+json") for kind, payload in payloads.items()}
    messages["station.state"] = _message(
        "station.state", {"$ref": "#/components/schemas/StationState"}, "application/json"
    )
    decided = {"Decision": message_schema(), "DecisionAnswer": answer_schema()}
    for name, schema in (("decision", "Decision"), ("decision.answer", "DecisionAnswer")):
        messages[name] = _message(name, {"$ref": f"#/components/schemas/{schema}"}, "application/json")
    return {
        "asyncapi": "3.0.0",
        "id": "urn:closewatch:mqtt",
        "info": {
            "title": "closewatch over MQTT",
            "version": version("closewatch"),
            "description": "Events of a closewatch station, as CloudEvents in structured mode, over MQTT 5.0 or 3.1.1. "
            "Each is published at least once, in order for each setup; a repeated id is a repeated event. "
            "Nothing here is advice.",
        },
        "defaultContentType": "application/cloudevents+json",
        "servers": {
            "broker": {
                "host": "{host}:{port}",
                "protocol": "mqtt",
                "description": "The broker of whoever runs the station.",
                "variables": {"host": {"default": "localhost"}, "port": {"default": "1883", "examples": ["8883"]}},
                "bindings": {
                    "mqtt": {
                        "lastWill": {
                            "topic": f"{ROOT}/state/station",
                            "qos": 1,
                            "retain": True,
                            "message": '{"station": "…", "state": "gone"}',
                        },
                        "bindingVersion": BINDING,
                    }
                },
            }
        },
        "channels": channels,
        "operations": {
            "hearDecisions": {
                "action": "receive",
                "channel": {"$ref": "#/channels/decisions"},
                "summary": channels["decisions"]["description"],
                "bindings": {"mqtt": {"qos": 1, "retain": False, "bindingVersion": BINDING}},
                "messages": [{"$ref": "#/channels/decisions/messages/decision"}],
                "reply": {"channel": {"$ref": "#/channels/answers"}},
            },
        }
        | {
            f"say{name[0].upper()}{name[1:]}": {
                "action": "send",
                "channel": {"$ref": f"#/channels/{name}"},
                "summary": channel["description"],
                "bindings": {"mqtt": {"qos": 1, "retain": name in retained, "bindingVersion": BINDING}},
                "messages": [{"$ref": f"#/channels/{name}/messages/{each}"} for each in channel["messages"]],
            }
            for name, channel in channels.items()
            if name != "decisions"
        },
        "components": {"messages": messages, "schemas": {**schemas, "StationState": state, **decided}},
    }


def _channel(topic: str, kinds: list[str], description: str) -> dict[str, Any]:
    address = f"{ROOT}/{topic}"
    return {
        "address": address,
        "description": description,
        "parameters": {name: about for name, about in PARAMETERS.items() if f"{{{name}}}" in address},
        "messages": {kind: {"$ref": f"#/components/messages/{kind}"} for kind in kinds},
    }


def _message(name: str, payload: Any, content_type: str) -> dict[str, Any]:  # noqa: ANN401 - a JSON Schema
    return {"name": name, "title": name, "contentType": content_type, "payload": payload}
