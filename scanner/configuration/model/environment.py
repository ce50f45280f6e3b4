"""Settings from the environment and the secrets folder."""

from __future__ import annotations

import json
import re
from typing import TYPE_CHECKING, Any

from scanner.configuration.mistakes import Mistake, did_you_mean
from scanner.configuration.toml_files.reading import read_text

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path

PREFIX = "CLOSEWATCH_"
SECRETS = "CLOSEWATCH_SECRETS"
"""The variable that names the secrets folder."""
OUTSIDE = ("feeds", "sinks")
"""Tables that belong to adapters: their variables are read when an adapter is made."""
NAMED = (*OUTSIDE, "groups", "instruments", "quiet")
"""Tables of tables, whose names come from the file; the environment cannot add one."""


def normal(name: str) -> str:
    """Give a name as written in a variable: in capitals, with underscores for all but letters and digits."""
    return re.sub(r"[^A-Z0-9]+", "_", name.upper())


def variable(*path: object) -> str:
    """Give the name of the variable that overrides a setting.

    >>> variable("feeds", "provider", "api-key")
    'CLOSEWATCH_FEEDS__PROVIDER__API_KEY'
    """
    return PREFIX + "__".join(normal(str(part)) for part in path)


def without_adapters(environ: Mapping[str, str]) -> dict[str, str]:
    """Give the environment's settings, except those of feeds, sinks and secrets."""
    return {name: environ[name] for name, parts, _ in _ours(environ) if parts[0].lower() not in OUTSIDE}


def _ours(environ: Mapping[str, str]) -> Iterator[tuple[str, list[str], str]]:
    for name in sorted(environ):
        if name.startswith(PREFIX) and name != SECRETS:
            yield name, name.removeprefix(PREFIX).split("__"), environ[name]


def _named_like(part: str, table: object) -> str | None:
    return next((key for key in table if normal(key) == normal(part)), None) if isinstance(table, dict) else None


def _keys(parts: list[str], document: Mapping[str, Any]) -> list[str]:
    """Find the keys that the parts of a variable mean: those of the file, else their lower case."""
    here: object = document
    keys = []
    for part in parts:
        keys.append(_named_like(part, here) or part.lower())
        here = here.get(keys[-1]) if isinstance(here, dict) else None
    return keys


def strays(environ: Mapping[str, str], document: Mapping[str, Any], sections: Mapping[str, object]) -> list[Mistake]:
    """List the variables that would override a setting that does not exist."""
    found = []
    for name, (section, *rest), _ in _ours(environ):
        if not rest:
            continue
        where = f"{name} in the environment"
        if section.lower() not in sections:
            text = f"there is no table {section.lower()}" + did_you_mean(section.lower(), sections)
            found.append(Mistake((), text, source=where))
        elif section.lower() in NAMED and _named_like(rest[0], document.get(section.lower())) is None:
            known = [normal(key) for key in document.get(section.lower()) or {}]
            text = f"there is no [{section.lower()}.{rest[0].lower()}] in the file" + did_you_mean(rest[0], known)
            # Another station may run in the same environment: variables for its feeds and sinks are not wrong.
            found.append(Mistake((), text, warning=section.lower() in OUTSIDE, source=where))
        elif (whole := _whole_of(name, environ)) is not None:
            text = f"{whole} gives the whole setting; give it as a table in JSON, or remove one of the two"
            found.append(Mistake((), text, source=where))
    return found


def overridden(
    document: Mapping[str, Any], environ: Mapping[str, str], sections: Mapping[str, object]
) -> dict[str, Any]:
    """Give a document with its settings overridden by variables such as ``CLOSEWATCH_STATION__ZONE``.

    Lists and tables are JSON.
    """
    found: dict[str, Any] = {}
    for _, parts, text in _ours(environ):
        section = parts[0].lower()
        if section not in sections or section in OUTSIDE:
            continue
        if section in NAMED and (len(parts) == 1 or _named_like(parts[1], document.get(section)) is None):
            continue
        *way, last = _keys(parts, document)
        table = found
        for key in way:
            table = table.setdefault(key, {})
            if not isinstance(table, dict):
                break  # reported by ``strays``
        else:
            table[last] = _value(text)
    return _laid_over(document, found)


def _laid_over(table: Mapping[str, Any], over: Mapping[str, Any]) -> dict[str, Any]:
    both = {key: _laid_over(table[key], value) for key, value in over.items() if _are_tables(table.get(key), value)}
    return {**table, **over, **both}


def _are_tables(one: object, other: object) -> bool:
    return isinstance(one, dict) and isinstance(other, dict)


def _whole_of(name: str, environ: Mapping[str, str]) -> str | None:
    """Find a variable that sets as a whole the table of which ``name`` sets a part, but not to a table."""
    parts = name.split("__")
    around = ("__".join(parts[:length]) for length in range(1, len(parts)))
    return next((each for each in around if each in environ and not isinstance(_value(environ[each]), dict)), None)


def _value(text: str) -> object:
    if text[:1] in {"[", "{"}:
        try:
            return json.loads(text)
        except (ValueError, RecursionError):
            pass  # plain text; the model says what it should have been
    return text


def settings_outside(
    section: str, name: str, environ: Mapping[str, str], folder: Path | None
) -> dict[tuple[str, ...], tuple[str, str]]:
    """Give the settings of a feed or sink from files and variables: by path of keys, the text and its source.

    A file is named ``feeds.NAME.FIELD`` and may end with a line break; variables override files. Raises OSError.
    """
    found = {}
    start = f"{section}.{name}."
    for file in sorted(folder.iterdir()) if folder else ():
        if file.name.startswith(start):
            text = read_text(file).rstrip("\r\n")
            found[tuple(file.name.removeprefix(start).split("."))] = (text, f"the file {file}")
    for each, parts, text in _ours(environ):
        if [normal(part) for part in parts[:2]] == [normal(section), normal(name)] and parts[2:]:
            found[tuple(part.lower() for part in parts[2:])] = (text, f"{each} in the environment")
    return found
