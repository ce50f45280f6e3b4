"""Mistakes of every type that a setting may be declared with, put into words."""

from __future__ import annotations

from decimal import Decimal
from importlib.metadata import entry_points
from typing import TYPE_CHECKING, Annotated, Any

import pytest
from pydantic import BaseModel, Field, ValidationError

from scanner.configuration.mistakes import PATTERNS, Mistake, explain
from scanner.configuration.model.settings import Settings
from scanner.wording.text import SENTENCE

if TYPE_CHECKING:
    from collections.abc import Iterator


class Model(BaseModel):
    """Settings with bounds of many kinds."""

    code: str = Field("", pattern="^[A-Z]{3}$", description="three letters")
    bare: str = Field("", pattern="^x+$")
    long: str = Field("", max_length=3)
    short: str = Field("aa", min_length=2)
    filled: str = Field("a", min_length=1)
    pair: tuple[int, ...] = Field((1, 2), min_length=2, max_length=3)
    cents: Decimal = Field(Decimal(0), decimal_places=2)
    even: int = Field(0, multiple_of=2)
    codes: dict[str, Annotated[str, Field(pattern="^x+$")]] = Field(default_factory=dict)


@pytest.mark.parametrize(
    ("key", "value", "sentence"),
    [
        ("code", "ABCD", 'must be three letters, not "ABCD"'),
        ("code", 7, "must be text, in quotes, not 7"),
        ("bare", "y", 'must be of the form ^x+$, not "y"'),
        ("long", "long", 'must have at most 3 characters, not "long"'),
        ("short", "a", 'must have at least 2 characters, not "a"'),
        ("filled", "", "must not be empty"),
        ("pair", [1], "must have at least 2 entries"),
        ("pair", [1, 2, 3, 4], "must have at most 3 entries"),
        ("pair", 1, 'must be a list, such as ["15m"], not 1'),
        ("cents", Decimal("0.001"), "must have no more than 2 decimal places, not 0.001"),
        ("cents", "much", 'must be a number, not "much"'),
        ("even", 3, "must be a multiple of 2, not 3"),
        ("even", 2.5, "must be a whole number, not 2.5"),
        ("codes", {"a": "y"}, 'must be of the form ^x+$, not "y"'),
    ],
)
def test_a_mistake_says_what_is_required(key: str, value: object, sentence: str) -> None:
    with pytest.raises(ValidationError) as caught:
        Model.model_validate({key: value})
    (error,) = caught.value.errors()
    assert explain(error, Model) == sentence


@pytest.mark.parametrize("odd", ["\0", "a\nb", "\x1b[31mred", "\u202eabc", "\udcff", "9" * 5_000])
def test_a_sentence_is_one_line_that_can_be_shown_whatever_the_file_holds(odd: str) -> None:
    for mistake in (Mistake((odd,), "there is no such setting"), Mistake(("step",), f'there is no price step "{odd}"')):
        assert mistake.sentence.isprintable()
        assert len(mistake.sentence) <= SENTENCE


def patterns(schema: Any) -> Iterator[str]:  # noqa: ANN401 - JSON
    inner = schema.values() if isinstance(schema, dict) else schema if isinstance(schema, list) else ()
    for each in inner:
        yield from patterns(each)
    if isinstance(schema, dict) and isinstance(schema.get("pattern"), str):
        yield schema["pattern"]


def test_every_pattern_of_a_setting_has_words() -> None:
    models = [Settings, *(found.Settings for found in adapters() if hasattr(found, "Settings"))]
    # The library's own pattern for a decimal is never told: such a value is "a number".
    asked = {each for model in models for each in patterns(model.model_json_schema()) if r"\d" not in each}
    assert asked == set(PATTERNS)


def adapters() -> Iterator[Any]:
    for section in ("feeds", "sinks"):
        for each in entry_points(group=f"closewatch.{section}"):
            yield each.load()
