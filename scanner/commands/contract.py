"""``closewatch contract``: the contract for other programs, as shipped with this version."""

from __future__ import annotations

from importlib.resources import files
from typing import Literal

from scanner.commands import output

FILES = {"schema": "events.schema.json", "asyncapi": "asyncapi.json"}


def run(what: Literal["schema", "asyncapi"]) -> None:
    """Print one of the documents unchanged."""
    output.say(files("scanner").joinpath("contract", FILES[what]).read_text(encoding="utf-8").rstrip("\n"))
