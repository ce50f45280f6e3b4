"""The form in which events go to other programs: CloudEvents 1.0 in JSON."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from scanner.ports import Message

MEDIA_TYPE = "application/cloudevents+json"


def envelope(message: Message) -> dict[str, Any]:
    """Give the event as a CloudEvents object; one that leaves too late to act on has the extension ``late``."""
    event = message.event.to_dict()
    if not message.late:
        return event
    data = event.pop("data")
    return event | {"late": True, "data": data}


def as_json(message: Message) -> bytes:
    """Give the event as one line of JSON in ASCII, so that no name in it can steer a terminal or break a line."""
    return json.dumps(envelope(message), separators=(",", ":")).encode("ascii")
