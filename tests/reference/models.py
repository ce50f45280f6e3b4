"""Markdown tables of the fields of a settings model: key, default, allowed values and meaning."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any, Literal, get_args, get_origin

from annotated_types import Ge, Gt, Le, Lt
from pydantic import BaseModel
from pydantic_core import PydanticUndefined

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from pydantic.fields import FieldInfo

BOUNDS = {Ge: "at least", Gt: "above", Le: "at most", Lt: "below"}
OBVIOUS = (Ge(0), Ge(1), Gt(0))
"""Bounds that go without saying."""
MANY = 6
"""Choices from which on they are left to the meaning."""


def table(model: type[BaseModel], without: Iterable[str] = ()) -> str:
    """Give one row for each field of a model, required ones first; ValueError for one without a description."""
    rows = ["| key | default | meaning |", "|---|---|---|"]
    for key, field in sorted(model.model_fields.items(), key=lambda each: not each[1].is_required()):
        if key in without or field.annotation is type(None):
            continue
        if not field.description:
            raise ValueError(f"{model.__name__}.{key} has no description")
        told = "; ".join([field.description, *_limits(field)])
        rows.append(f"| `{key}` | {_default(field)} | {told.replace('|', chr(92) + '|')} |")
    return "\n".join(rows)


def _default(field: FieldInfo) -> str:
    if field.is_required():
        return "required"
    value = field.get_default(call_default_factory=True)
    if value is None or value is PydanticUndefined or value in ("", (), {}) or isinstance(value, BaseModel):
        return "-"
    return f"`{_as_toml(value)}`"


def _as_toml(value: Any) -> str:  # noqa: ANN401 - whatever a field holds
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int | float):
        return f"{value:,}".replace(",", "_") if isinstance(value, int) and value >= 100_000 else f"{value:g}"
    if isinstance(value, tuple):
        return f"[{', '.join(_as_toml(each) for each in value)}]"
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {_as_toml(each)}" for key, each in value.items()) + " }"
    text = str(value)
    return text if text.replace(".", "", 1).isdecimal() else json.dumps(text, ensure_ascii=False)


def _limits(field: FieldInfo) -> Iterator[str]:
    choices = [each for part in _parts(field.annotation) for each in part]
    if choices:
        yield "one of " + ", ".join(f"`{each}`" for each in choices)
    for bound in field.metadata:
        if type(bound) in BOUNDS and bound not in OBVIOUS:
            yield f"{BOUNDS[type(bound)]} {getattr(bound, type(bound).__name__.lower()):,}"


def _parts(annotation: Any) -> Iterator[tuple[str, ...]]:  # noqa: ANN401 - a type, however it is written
    """Give the choices of each text that must be one of a few."""
    if get_origin(annotation) is Literal:
        choices = get_args(annotation)
        if len(choices) <= MANY and all(isinstance(each, str) for each in choices):
            yield choices
    elif get_origin(annotation) is not dict:
        for each in get_args(annotation):
            yield from _parts(each)
