"""Feeds and sinks by name: found among the installed ones, and made with their settings."""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from importlib.metadata import entry_points
from inspect import iscoroutinefunction, signature
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, get_args, get_origin

from pydantic import BaseModel, SecretStr, ValidationError

from scanner.configuration.mistakes import Mistake, closest, did_you_mean, explain
from scanner.configuration.model.environment import settings_outside, variable
from scanner.configuration.model.settings import SettingsError
from scanner.ports import FeedLimits

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from scanner.configuration.model.settings import Settings
    from scanner.ports import Feed, Sink

Section = Literal["feeds", "sinks"]
METHODS: dict[Section, tuple[str, ...]] = {"feeds": ("start", "stop", "fetch"), "sinks": ("start", "stop", "deliver")}
ATTRIBUTES: dict[Section, tuple[str, ...]] = {
    "feeds": ("batch", "arrived", "limits"),
    "sinks": ("at_once", "digests", "wants_pictures"),
}
"""What each adapter must have besides its methods; the first is a number."""
STDOUT = "-"
"""The path that means standard output, where that is allowed."""
EXTRA = "extra_forbidden"
STAND_IN = SecretStr("a secret of 16 or more")


@dataclass(slots=True)
class Prepared:
    """An adapter that can be made: its class and settings, or what is wrong and which secrets are missing."""

    section: Section
    name: str
    kind: Any = None
    settings: BaseModel | None = None
    mistakes: list[Mistake] = field(default_factory=list)
    secrets_missing: list[Mistake] = field(default_factory=list)


def build_feed(
    name: str, settings: Settings, environ: Mapping[str, str] = os.environ, *, show_body: bool = False
) -> Feed:
    """Make the feed ``name`` of the configuration; SettingsError says what is wrong and what to do.

    With ``show_body``, a feed whose constructor takes it shows what the other side writes; secrets may be in it.
    """
    feed: Feed = _made(prepare("feeds", name, settings, environ), settings, show_body=show_body)
    return feed


def build_sink(
    name: str, settings: Settings, environ: Mapping[str, str] = os.environ, *, show_body: bool = False
) -> Sink:
    """Make the sink ``name`` of the configuration; SettingsError says what is wrong and what to do.

    A sink whose settings have ``zone`` or ``station`` gets those of the station unless its table sets them. One whose
    constructor takes ``exchange_zones`` gets the zone of each instrument's exchange. ``show_body`` is as for a feed.
    """
    sink: Sink = _made(prepare("sinks", name, settings, environ), settings, show_body=show_body)
    return sink


def _made(prepared: Prepared, settings: Settings, *, show_body: bool) -> Any:  # noqa: ANN401 - any installed class
    for mistake in (*prepared.mistakes, *prepared.secrets_missing):
        raise SettingsError(mistake.sentence)
    more: dict[str, Any] = {}
    if show_body and "show_body" in signature(prepared.kind).parameters:
        more["show_body"] = True
    if "exchange_zones" in signature(prepared.kind).parameters:
        more["exchange_zones"] = {each.instrument.symbol: each.calendar.tz for each in settings.watched()}
    where = f"{prepared.section}.{prepared.name}"
    try:
        made = prepared.kind(prepared.settings, **more)
    except (Exception, SystemExit) as problem:  # noqa: BLE001 - another package's code may raise anything
        text = f"its adapter cannot be made ({type(problem).__name__}: {problem}); correct {prepared.kind.__name__}"
        raise SettingsError(f"{where}: {text}") from None
    for key in ATTRIBUTES[prepared.section]:
        if not hasattr(made, key):
            raise SettingsError(f"{where}: its adapter has no {key}; {_of_ports(prepared)} says what it must be")
    if prepared.section == "feeds" and not isinstance(made.limits, FeedLimits):
        raise SettingsError(f"{where}: limits of its adapter is {made.limits!r}; it must be scanner.ports.FeedLimits")
    count = ATTRIBUTES[prepared.section][0]
    if not isinstance(said := getattr(made, count), int) or said < 1:
        raise SettingsError(f"{where}: {count} of its adapter is {said!r}; it must be a whole number, 1 or more")
    return made


def _of_ports(prepared: Prepared) -> str:
    return f"scanner.ports.{'Feed' if prepared.section == 'feeds' else 'Sink'}"


def prepare(section: Section, name: str, settings: Settings, environ: Mapping[str, str]) -> Prepared:
    """Find the class of a feed or sink and read its settings from the file, the secrets folder and the environment."""
    prepared = Prepared(section, name)
    table = dict(getattr(settings, section)[name])
    prepared.kind = _class(prepared, table.pop("type", None))
    if prepared.kind is None:
        return prepared
    model: type[BaseModel] = prepared.kind.Settings
    for key in _secrets(model):
        if key in table:
            given = table.pop(key)
            keys = [key, *given][:2] if isinstance(given, dict) else [key]
            prepared.mistakes.append(
                Mistake((section, name, key), f"is a secret; remove it and {_outside(section, name, *keys)}")
            )
    _resolve_paths(table, model, settings.folder)
    if section == "sinks":
        for key, value in (("zone", settings.station.zone), ("station", settings.station.name)):
            if key in model.model_fields:
                table.setdefault(key, value)
    try:
        sources = _add_outside(
            prepared, table, model, settings_outside(section, name, environ, settings.secrets_folder(environ))
        )
    except (OSError, UnicodeDecodeError) as problem:
        text = f"the secrets folder cannot be read ({problem}); check secrets of [station] and CLOSEWATCH_SECRETS"
        prepared.mistakes.append(Mistake((section, name), text))
        return prepared
    _validate(prepared, table, model, sources)
    return prepared


def _class(prepared: Prepared, kind: object) -> Any:  # noqa: ANN401 - any installed class
    """Find the class that a table's ``type`` names; None, with the mistake, if there is none."""
    installed = {each.name: each for each in entry_points(group=f"closewatch.{prepared.section}")}
    path, what = (prepared.section, prepared.name), prepared.section[:-1]
    if not isinstance(kind, str) or kind not in installed:
        names = f"installed are {', '.join(sorted(installed))}"
        near = closest(kind, installed) if isinstance(kind, str) else None
        if kind is None:
            mistake = Mistake(path, f'type is missing; add a line type = "…" ({names})')
        elif near is None:
            mistake = Mistake((*path, "type"), f'there is no {what} type "{kind}"; {names}')
        else:
            text = f'there is no {what} type "{kind}"; did you mean {near}? ({names})'
            mistake = Mistake((*path, "type"), text)
        prepared.mistakes.append(mistake)
        return None
    try:
        found = installed[kind].load()
    except ImportError as problem:
        text = f"the type {kind} cannot be loaded ({problem}); install what it needs"
    except (Exception, SystemExit) as problem:  # noqa: BLE001 - another package's code may raise anything
        text = (
            f"the type {kind} cannot be loaded ({type(problem).__name__}: {problem}); correct {installed[kind].value}"
        )
    else:
        lacking = _lacking(found, METHODS[prepared.section])
        if not lacking:
            return found
        needs = f"{_of_ports(prepared)} says what it needs"
        text = f"the type {kind} cannot be used: {installed[kind].value} {lacking}; {needs}"
    prepared.mistakes.append(Mistake((*path, "type"), text))
    return None


def _lacking(found: Any, methods: Sequence[str]) -> str:  # noqa: ANN401 - another package may install anything
    """Say what an installed class lacks to be a feed or sink; empty if nothing."""
    model = getattr(found, "Settings", None)
    if not isinstance(found, type) or not isinstance(model, type) or not issubclass(model, BaseModel):
        return "is not a class with a pydantic model Settings"
    if model.model_config.get("extra") != "forbid":
        return 'has Settings without extra="forbid", so a misspelt key would go unnoticed'
    for name in methods:
        if not iscoroutinefunction(getattr(found, name, None)):
            return f"has no async method {name}"
    return ""


def _mentions(annotation: Any, kind: type) -> bool:  # noqa: ANN401 - a type
    return annotation is kind or any(_mentions(each, kind) for each in get_args(annotation))


def _shape(annotation: Any) -> Any:  # noqa: ANN401 - a type
    """Give tuple, list or dict for a field that holds several values, else None."""
    if get_origin(annotation) in {tuple, list, dict}:
        return get_origin(annotation)
    return next((shape for each in get_args(annotation) if (shape := _shape(each))), None)


def _secrets(model: type[BaseModel]) -> list[str]:
    return [key for key, each in model.model_fields.items() if _mentions(each.annotation, SecretStr)]


def _outside(*path: str) -> str:
    return f"give it as {variable(*path)} in the environment, or in the file {'.'.join(path)} of the secrets folder"


def _resolve_paths(table: dict[str, Any], model: type[BaseModel], folder: Path) -> None:
    for key, each in model.model_fields.items():
        value = table.get(key)
        if isinstance(value, str) and value != STDOUT and _mentions(each.annotation, Path):
            table[key] = folder / value


def _add_outside(
    prepared: Prepared,
    table: dict[str, Any],
    model: type[BaseModel],
    said: Mapping[tuple[str, ...], tuple[str, str]],
) -> dict[str, str]:
    """Add the settings of files and the environment to the table, and give their sources by key."""
    sources = {}
    for (key, *inner), (text, source) in said.items():
        sources[key] = source
        each = model.model_fields.get(key)
        shape = None if each is None else _shape(each.annotation)
        if inner and shape is dict:
            table[key] = {**table.get(key, {}), ".".join(inner): text}
        elif inner:
            known = did_you_mean(key, model.model_fields)
            mistake = Mistake((prepared.section, prepared.name, key), f"has no parts of its own{known}", source=source)
            prepared.mistakes.append(mistake)
        else:
            table[key] = text.split() if shape in {tuple, list} else text
    return sources


def _validate(prepared: Prepared, table: Mapping[str, Any], model: type[BaseModel], sources: Mapping[str, str]) -> None:
    path, secrets = (prepared.section, prepared.name), _secrets(model)
    try:
        prepared.settings = model.model_validate(table)
    except ValidationError as problem:
        errors = problem.errors()
    else:
        return
    misspelt = {closest(str(error["loc"][0]), model.model_fields) for error in errors if error["type"] == EXTRA}
    errors = [error for error in errors if error["type"] != "missing" or error["loc"][0] not in misspelt]
    absent = [str(error["loc"][0]) for error in errors if error["type"] == "missing" and error["loc"][0] in secrets]
    whole = [error for error in errors if not error["loc"]]
    if whole and len(whole) == len(errors):
        absent = _completing(table, model)
        if absent:
            errors = []
    for key in absent:
        text = f"this secret is missing; {_outside(*path, key)}"
        prepared.secrets_missing.append(Mistake((*path, key), text, warning=True))
    for error in errors:
        first = error["loc"][0] if error["loc"] else None
        if first not in absent:
            source = sources.get(str(first))
            hide = first in secrets or first is None
            prepared.mistakes.append(Mistake((*path, *error["loc"]), explain(error, model, hide=hide), source=source))


def _completing(table: Mapping[str, Any], model: type[BaseModel]) -> list[str]:
    """Find the optional secret whose absence makes the settings inconsistent; none if that is not the reason."""
    for key in _secrets(model):
        if key not in table and _shape(model.model_fields[key].annotation) is None:
            try:
                model.model_validate({**table, key: STAND_IN})
            except ValidationError:
                continue
            return [key]
    return []
