"""Mistakes in a configuration, in words: what is wrong, and what was probably meant."""

from __future__ import annotations

import re
from dataclasses import dataclass
from difflib import get_close_matches
from typing import TYPE_CHECKING, Any, get_args
from zoneinfo import available_timezones

from pydantic import BaseModel

from scanner.market.sessions.timeframes import ALL
from scanner.wording.text import SENTENCE, plain

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from pydantic.fields import FieldInfo
    from pydantic_core import ErrorDetails

    from scanner.configuration.toml_files.lines import Keys

SHOWN = 60
"""Characters of a value that are shown: half a line."""
LISTED = 12
"""How many choices are listed if none is close."""
UNITS = {"m": 60, "min": 60, "minute": 60, "h": 3_600, "hour": 3_600, "d": 86_400, "day": 86_400, "w": 604_800}
BOUNDS = {"gt": "above", "ge": "at least", "lt": "below", "le": "at most"}
KINDS = {
    "int": "a whole number",
    "float": "a number",
    "decimal": "a number",
    "finite": "a number",
    "bool": "true or false",
    "string": "text, in quotes",
    "path": "a path, in quotes",
    "date": "a date such as 2026-06-12",
    "tuple": 'a list, such as ["15m"]',
    "list": 'a list, such as ["15m"]',
    "dict": "a table",
    "model": "a table",
}
"""What a value must be, by the start of pydantic's names for type errors."""
OF_TYPE = ("_type", "_parsing", "_parsing_size", "_from_float", "_number", "_inexact")
"""The endings of these names. Other errors are about a value of the right type."""
PATTERNS = {
    "^([A-Z]{3})?$": "three capital letters (ISO 4217) such as EUR",
    "^[a-z0-9]([a-z0-9.-]*[a-z0-9])?$": "a name in small letters, such as desk.example.org",
    "^[!-~]+$": "a name without spaces, in plain letters, such as mail.example.org",
}
"""What the patterns of settings require, in words; for other patterns, the setting's description is shown."""


@dataclass(frozen=True, slots=True)
class Mistake:
    """Something wrong at ``path`` of a configuration, or, as a ``warning``, something probably not intended.

    ``source`` says where the value comes from, if not from the file.
    """

    path: Keys
    text: str
    warning: bool = False
    source: str | None = None

    @property
    def sentence(self) -> str:
        """The mistake after the name of its setting, on one line; places in lists are left to the line number.

        Its names and values come from the file, and may contain anything.
        """
        where = ".".join(part for part in self.path if isinstance(part, str))
        return plain(": ".join(part for part in (self.source, where, self.text) if part), SENTENCE)


def closest(word: str, choices: Iterable[str]) -> str | None:
    """Find the choice that was probably meant by a word, ignoring case."""
    by_case = {choice.lower(): choice for choice in choices}
    near = get_close_matches(word.lower(), by_case, 1)
    return by_case[near[0]] if near else None


def did_you_mean(word: str, choices: Iterable[str]) -> str:
    """Say which choice is closest; if none is and there are few, list them."""
    known = sorted(choices)
    if (near := closest(word, known)) is not None:
        return f"; did you mean {near}?"
    return f"; choose from {', '.join(known)}" if 0 < len(known) <= LISTED else ""


def explain(error: ErrorDetails, model: type[BaseModel], *, hide: bool = False) -> str:
    """Put an error of ``model`` into words; ``hide`` keeps the value, a secret, out of them."""
    value, context = error["input"], error.get("ctx", {})
    given = "" if hide else f", not {_shown(value)}"
    last = next((part for part in reversed(error["loc"]) if isinstance(part, str)), "")
    match error["type"]:
        case "extra_forbidden":
            text = "there is no such setting" + did_you_mean(last, fields_at(model, error["loc"][:-1]))
        case "missing":
            text = f"is missing; add a line {last} = …"
        case "none_required":
            text = "belongs to each instrument; move it there"
        case "value_error":
            text = _with_closest(str(context["error"]), last, value)
        case "literal_error":
            choices = re.findall(r"'([^']*)'", context["expected"])
            near = closest(value, choices) if isinstance(value, str) else None
            meant = f"there is no {_shown(value)}; did you mean {near}?"
            text = f"must be {_either(choices)}{given}" if near is None else meant
        case "too_short" | "string_too_short" if context["min_length"] == 1:
            text = "must not be empty"
        case "too_short":
            text = f"must have at least {context['min_length']} {_parts_of(value)}"
        case "too_long":
            text = f"must have at most {context['max_length']} {_parts_of(value)}"
        case "string_pattern_mismatch":
            pattern = context["pattern"]
            asked = PATTERNS.get(pattern) or _described(error["loc"], model) or f"of the form {pattern}"
            text = f"must be {asked}{given}"
        case kind:
            bounds = [f"{words} {context[bound]}" for bound, words in BOUNDS.items() if bound in context]
            of_type = KINDS.get(kind.split("_")[0]) if kind.endswith(OF_TYPE) else None
            wanted = bounds[0] if bounds else of_type
            plain = re.sub(r"^(Input|String|Decimal input) should (be|have) ", r"must \2 ", error["msg"])
            text = (f"must be {wanted}" if wanted else plain) + given
    return text


def _parts_of(value: object) -> str:
    return "characters" if isinstance(value, str) else "entries"


def _described(path: Keys, model: type[BaseModel]) -> str | None:
    parent = fields_at(model, path[:-1])
    return parent[str(path[-1])].description if path and path[-1] in parent else None


def fields_at(model: type[BaseModel], path: Keys) -> Mapping[str, FieldInfo]:
    """Give the settings of a table by their names; none if its keys are free."""
    here: Any = model
    for part in path:
        if isinstance(here, type) and issubclass(here, BaseModel):
            field = here.model_fields.get(str(part))
            here = field.annotation if field else None
        else:
            # A table of tables or a list of them: the last of its arguments is the type of its values.
            inner = [each for each in get_args(here) if each is not Ellipsis]
            here = inner[-1] if inner else None
    return here.model_fields if isinstance(here, type) and issubclass(here, BaseModel) else {}


def _shown(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    text = f'"{value}"' if isinstance(value, str) else str(value)
    return text if len(text) <= SHOWN else text[: SHOWN - 1] + "…"


def _either(choices: list[str]) -> str:
    return choices[0] if len(choices) == 1 else f"{', '.join(choices[:-1])} or {choices[-1]}"


def _with_closest(text: str, key: str, value: object) -> str:
    """Replace the choices in a sentence with the one that was probably meant."""
    if not isinstance(value, str):
        return text
    near = None
    if key in {"zone", "tz"}:
        near = closest(value, available_timezones())
    elif key == "calendar":
        import exchange_calendars  # noqa: PLC0415 - takes most of a second, and is seldom needed

        near = closest(value, ["none", "24/7", "24/5", *exchange_calendars.get_calendar_names(include_aliases=True)])
    elif key in {"timeframe", "timeframes", "base"}:
        near = _timeframe_meant(value)
    return text if near is None else f"{text.partition('; ')[0]}; did you mean {near}?"


def _timeframe_meant(text: str) -> str | None:
    """Find the timeframe that is meant by other ways to write it: 60m, 1hour, 15 min."""
    parts = re.fullmatch(r"\s*(\d{1,5})\s*([a-z]+?)s?\s*", text.lower())
    seconds = int(parts[1]) * UNITS.get(parts[2], 0) if parts else 0
    return next((each.name for each in ALL if each.seconds == seconds), None)
