"""The contract with other programs, made from the types of the events: a JSON Schema and an AsyncAPI document.

``python -m scanner.present.contract.contract`` writes both into ``scanner/contract``, from where they are shipped.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pydantic import TypeAdapter
from pydantic.json_schema import GenerateJsonSchema

from scanner.events import KINDS
from scanner.present.contract.asyncapi import asyncapi

if TYPE_CHECKING:
    from scanner.events import Kind

FOLDER = Path(__file__).parents[2] / "contract"
DIALECT = "https://json-schema.org/draft/2020-12/schema"


class _Untitled(GenerateJsonSchema):
    """Leaves out the titles that only repeat the names of fields."""

    def field_title_should_be_set(self, schema: Any) -> bool:  # noqa: ANN401, ARG002 - as the library has it
        return False


def data_schemas(refs: str) -> dict[str, Any]:
    """Give the schema of each type in events, by its name; ``refs`` is their path in the document."""
    carried = dict.fromkeys(facts.data for facts in KINDS.values())
    adapters: list[Any] = [(name, "validation", TypeAdapter(name)) for name in carried]
    _, made = TypeAdapter.json_schemas(
        adapters,
        ref_template=refs + "/{model}",
        schema_generator=_Untitled,
    )
    found: dict[str, Any] = made["$defs"]
    for schema in found.values():
        if "description" in schema:
            schema["description"] = " ".join(schema["description"].replace("``", "").split())
    return found


def envelope() -> dict[str, Any]:
    """Give the schema of what all events share: the attributes of CloudEvents 1.0 and three extensions."""
    return {
        "type": "object",
        "description": "A CloudEvents 1.0 event in the JSON format. A repeated id is a repeated event.",
        "properties": {
            "specversion": {"const": "1.0"},
            "id": {
                "type": "string",
                "pattern": "^[0-9a-f]{32}$",
                "description": "The same facts give the same id, also after a restart or in a replay.",
            },
            "source": {"type": "string", "format": "uri-reference", "minLength": 1},
            "type": {"enum": [f"closewatch.{kind}" for kind in KINDS]},
            "subject": {
                "type": "string",
                "minLength": 1,
                "description": "instrument/timeframe, or the name of a feed or station.",
            },
            "time": {
                "type": "string",
                "format": "date-time",
                "pattern": "Z$",
                "description": "The bar close that the event is about, in UTC; never the moment of sending.",
            },
            "datacontenttype": {"const": "application/json"},
            "thread": {
                "type": "string",
                "pattern": "^[0-9a-f]{32}$",
                "description": "Extension: the id of the event that began the story this one belongs to.",
            },
            "late": {
                "const": True,
                "description": "Extension: the event waited so long on its way that the moment to act has passed.",
            },
            "record": {
                "type": "string",
                "minLength": 1,
                "description": "Extension: the results of setups of its kind so far, as of the moment of sending, "
                "in words; of setups that are found or forming.",
            },
            "data": {"type": "object"},
        },
        "required": ["specversion", "id", "source", "type", "subject", "time", "datacontenttype", "data"],
    }


def of_kind(kind: Kind, refs: str) -> dict[str, Any]:
    """Give the schema of a kind beyond the envelope: its type, and its data at ``refs``."""
    facts = KINDS[kind]
    story = ["thread"] if facts.of_story else []
    return {
        "title": kind,
        "properties": {"type": {"const": f"closewatch.{kind}"}, "data": {"$ref": f"{refs}/{facts.data.__name__}"}},
        "required": ["type", "data", *story],
    }


def schema() -> dict[str, Any]:
    """Give the JSON Schema (2020-12) of every event."""
    refs = "#/$defs"
    return {
        "$schema": DIALECT,
        "$id": "urn:closewatch:events",
        "title": "Events of closewatch",
        **envelope(),
        "oneOf": [of_kind(kind, refs) for kind in KINDS],
        "$defs": data_schemas(refs),
    }


def documents() -> dict[str, str]:
    """Give both documents as text, by the name of their file."""
    refs = "#/components/schemas"
    messages = {kind: {"allOf": [{"$ref": f"{refs}/Event"}, of_kind(kind, refs)]} for kind in KINDS}
    interface = asyncapi(messages, {"Event": envelope(), **data_schemas(refs)})
    return {
        name: json.dumps(made, indent=2, ensure_ascii=False) + "\n"
        for name, made in (("events.schema.json", schema()), ("asyncapi.json", interface))
    }


def main() -> None:
    """Write the documents."""
    FOLDER.mkdir(exist_ok=True)
    for name, text in documents().items():
        (FOLDER / name).write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
