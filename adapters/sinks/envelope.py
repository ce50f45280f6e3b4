"""The form in which events go to other programs: CloudEvents 1.0 in JSON."""

from __future__ import annotations

import json
import re
from typing import TYPE_CHECKING, Any

import orjson

if TYPE_CHECKING:
    from scanner.ports import Message

_BEYOND_ASCII = re.compile("[\x7f-\U0010ffff]")

MEDIA_TYPE = "application/cloudevents+json"


def envelope(message: Message) -> dict[str, Any]:
    """Give the event as a CloudEvents object, with the extensions that depend on the time of sending.

    ``late`` says that it is too late to act on, ``record`` how setups of its kind have performed so far.
    """
    event = message.event.to_dict()
    data = event.pop("data")
    late: dict[str, Any] = {"late": True} if message.late else {}
    record = {"record": message.notes.record} if message.notes.record else {}
    return event | late | record | {"data": data}


def as_json(message: Message) -> bytes:
    """Give the event as one line of JSON in ASCII, so that no name in it can control a terminal or break a line.

    Numbers are written as in a replay.
    """
    line = orjson.dumps(envelope(message))
    if line.isascii() and b"\x7f" not in line:
        return line
    return _BEYOND_ASCII.sub(lambda found: json.dumps(found[0])[1:-1], line.decode()).encode("ascii")
