"""What can be seen of a setup without running it: anything may be in the fields of a user's own."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any, ClassVar, Literal

import pytest
from pydantic import Field

from scanner.analysis.door.known_setups import known, own
from scanner.analysis.door.setup import Forming, Numbers
from scanner.analysis.door.shape import faults

EXAMPLE = own("two_steps", "own_setup:SETUP", Path(__file__).parents[2] / "config")


class Odd(Numbers):
    kind: str = Field("gull", description="no choice of texts")


class Several(Numbers):
    many: list[float] = Field([1.0], description="more than one number")


class Perhaps(Numbers):
    wait: float | None = Field(None, description="none as well")


class NoDefault(Numbers):
    kind: Literal["gull", "tern"] = Field(description="without a default")


class Unsaid(Numbers):
    wait: int = 3


class Taken(Numbers):
    on: int = Field(3, description="a key of every setup")


class Strange(Numbers):
    ascending: ClassVar = (("least", "most"),)


def test_the_example_and_the_built_in_setups_have_none() -> None:
    assert [list(faults(each)) for each in (EXAMPLE, *known().values())] == [[]] * (1 + len(known()))


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"name": "../gulls"}, "name is '../gulls'; give a word of letters, digits and _"),
        ({"name": None}, "name is None; give a word"),
        ({"title": "two\nsteps"}, "title must be a text in one line"),
        ({"summary": 5}, "summary must be a text in one line"),
        ({"rules": ()}, "rules must name at least one rule, each once, and none place or reach"),
        ({"rules": ("wide", "wide", "steps")}, "rules must name at least one rule, each once"),
        ({"rules": ("wide", "place", "steps")}, "rules must name at least one rule, each once"),
        ({"rules": ["wide", "direction", "steps"]}, "rules must name at least one rule, each once"),
        ({"rules": (1, 2, 3)}, "rules must name at least one rule, each once"),
        ({"points": None}, "points must name each point of evidence once"),
        ({"points": ("volume", "volume")}, "points must name each point of evidence once"),
        ({"bars": ()}, "bars must name at least the last bar, each with a letter of its own"),
        ({"bars": (("W", "one"), ("W", "two"))}, "bars must name at least the last bar, each with a letter"),
        ({"bars": ("W", "1", "2")}, "bars must name at least the last bar, each with a letter"),
        ({"bars": (("WIDE", "one"),)}, "bars must name at least the last bar, each with a letter"),
        ({"looks_back": 3.0}, "looks_back is 3.0; give a whole number, 0 or more"),
        ({"extra": -1}, "extra is -1; give a whole number, 0 or more"),
        ({"places": "line"}, "places holds 'line'; give a tuple of some of line, average, level, turn"),
        ({"places": ("line", "harbour")}, "places holds ('line', 'harbour'); give a tuple of some of line"),
        ({"numbers": dict}, "numbers must be a class derived from Numbers"),
        ({"numbers": Numbers()}, "numbers must be a class derived from Numbers"),
        ({"numbers": Odd}, "its number kind is neither an int, a float, a bool nor a Literal of texts"),
        ({"numbers": Several}, "its number many is neither an int"),
        ({"numbers": Perhaps}, "its number wait is neither an int"),
        ({"numbers": NoDefault}, "its number kind needs a default, and a description in one line"),
        ({"numbers": Unsaid}, "its number wait needs a default, and a description in one line"),
        ({"numbers": Taken}, "its number on could not be set, since each setup has a key of that name; rename it"),
        ({"numbers": Strange}, "ascending names least, most, which is not among its numbers"),
        ({"words": "words"}, "words must be a function"),
        ({"forming": True}, "forming must be a Forming(find, next_bar), or None"),
        ({"forming": Forming(EXAMPLE.find, "next_bar")}, "forming.next_bar must be a function"),  # type: ignore[arg-type] # on purpose
        ({"weigh": print}, "weigh is not compiled; write @compiled (scanner.compiling) above it"),
    ],
)
def test_a_field_of_another_kind_is_a_sentence(change: dict[str, Any], told: str) -> None:
    (found,) = faults(replace(EXAMPLE, **change))
    assert found.startswith(told)
