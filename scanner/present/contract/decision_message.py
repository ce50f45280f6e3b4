"""Decisions as JSON messages: their fields, the answers, and the schemas of both."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any, get_args

from scanner.store.decisions import Decided
from scanner.wording.text import plain

if TYPE_CHECKING:
    from collections.abc import Mapping

LARGEST = 16_384
"""Most bytes of a message; the longest note needs less, in any encoding."""
LONGEST_KEY, SHOWN = 100, 40
DECISIONS: tuple[Decided, ...] = get_args(Decided)
TEXT_OF: Mapping[Decided, str | None] = {"take": "note", "pass": "why", "leave": None, "note": "note"}
"""The field that has the text of a decision, as on the command line."""
NUMBERS_OF: Mapping[Decided, tuple[str, ...]] = {"take": ("price", "size"), "pass": (), "leave": ("price",), "note": ()}
ABOUT = {
    "id": "The setup: its instrument, if only one of its setups is open, or the first letters of its id.",
    "price": "Your price, a decimal.",
    "size": "Your size, a decimal.",
    "note": "What you want to remember about it.",
    "why": "Why you passed it.",
    "key": "Returned in the answer, so that you know which message it answers.",
}
NUMBER = r"^-?\d+(\.\d+)?$"


class UnreadableError(Exception):
    """A message that cannot be acted on; the error's message is one sentence."""


def read(message: bytes) -> dict[str, str]:
    """Read a message; gives its fields, all of them texts. UnreadableError if it is not valid."""
    if len(message) > LARGEST:
        raise UnreadableError(f"a message has {LARGEST:,} bytes at most")
    try:
        told = json.loads(message.decode())
    except (ValueError, RecursionError):
        raise UnreadableError("this cannot be read; write a JSON object in UTF-8") from None
    if not isinstance(told, dict):
        raise UnreadableError('this is not a JSON object such as {"decision": "pass", "id": "3f2a"}')
    kind: Any = told.get("decision")
    if kind not in DECISIONS:
        raise UnreadableError(f"decision is one of {', '.join(DECISIONS)}")
    known = fields(kind)
    for name, value in told.items():
        if name not in known:
            shown = plain(name, SHOWN)
            raise UnreadableError(f"{shown} is not known with the decision {kind}, which has {', '.join(known)}")
        if not isinstance(value, str):
            raise UnreadableError(f'{name} must be text, in quotes such as "101.40"')
    if not told.get("id"):
        raise UnreadableError("id is missing; name the setup by its instrument or the first letters of its id")
    if len(told.get("key", "")) > LONGEST_KEY:
        raise UnreadableError(f"key has {LONGEST_KEY} characters at most")
    return told


def fields(kind: Decided) -> list[str]:
    """Name the fields that a decision message may have."""
    text = TEXT_OF[kind]
    return ["decision", "id", *NUMBERS_OF[kind], *([text] if text else []), "key"]


def key_of(message: bytes) -> str:
    """Find the key of a message, even if the rest is unreadable; empty if there is none."""
    try:
        key = json.loads(message[:LARGEST].decode())["key"]
    except (ValueError, RecursionError, LookupError, TypeError):
        return ""
    return key if isinstance(key, str) and len(key) <= LONGEST_KEY else ""


def answer(key: str, said: str, thread: str | None = None) -> bytes:
    """Write an answer; ``thread`` is that of the setup whose decision was stored, or None."""
    told: dict[str, object] = {"kept": thread is not None, "said": said}
    told |= {"thread": thread} if thread is not None else {}
    return json.dumps(told | ({"key": key} if key else {})).encode()


def message_schema() -> dict[str, Any]:
    """Give the JSON Schema of a message."""
    return {"oneOf": [_schema_of(kind) for kind in DECISIONS]}


def _schema_of(kind: Decided) -> dict[str, Any]:
    names = [name for name in fields(kind) if name != "decision"]
    needed = ["decision", "id", *(["note"] if kind == "note" else [])]
    return {
        "type": "object",
        "title": kind,
        "properties": {
            "decision": {"const": kind},
            **{name: {"type": "string", "description": ABOUT[name], **_bounds(name)} for name in names},
        },
        "required": needed,
        "additionalProperties": False,
    }


def _bounds(name: str) -> dict[str, Any]:
    if name in {"price", "size"}:
        return {"pattern": NUMBER}
    return {"id": {"minLength": 1}, "key": {"maxLength": LONGEST_KEY}}.get(name, {})


def answer_schema() -> dict[str, Any]:
    """Give the JSON Schema of an answer."""
    return {
        "type": "object",
        "properties": {
            "kept": {"type": "boolean", "description": "Whether the decision was kept."},
            "said": {"type": "string", "description": "What was kept, or why not, in the words of the command line."},
            "thread": {"type": "string", "description": "If it was kept, the id of the event that found the setup."},
            "key": {"type": "string", "description": "The key of the message, if it had one."},
        },
        "required": ["kept", "said"],
    }
