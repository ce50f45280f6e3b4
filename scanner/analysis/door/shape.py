"""What can be seen of a setup without running it: whether its fields are as ``Setup`` describes them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal, get_args, get_origin

from scanner.analysis.door.setup import KEYS, Forming, Numbers
from scanner.compiling import is_compiled
from scanner.event_data import Place

if TYPE_CHECKING:
    from collections.abc import Iterator

RULES_OF_PLACES = {"place", "reach"}
"""Names of rules that are added to a setup that needs a place."""


def faults(setup: Any) -> Iterator[str]:  # noqa: ANN401 - a user's own may have anything in its fields
    """Describe each field that is not as it should be; later sentences may follow from earlier ones."""
    if not (isinstance(setup.name, str) and setup.name.isidentifier()):
        yield f"name is {setup.name!r}; give a word of letters, digits and _, since files and topics are named after it"
    for name in ("title", "summary"):
        if not is_line(getattr(setup, name)):
            yield f"{name} must be a text in one line"
    rules_fit = _are_names(setup.rules) and not RULES_OF_PLACES & set(setup.rules)
    if not rules_fit or not setup.rules:
        yield (
            "rules must name at least one rule, each once, and none place or reach: a tuple of words of letters, "
            "digits and _"
        )
    if not _are_names(setup.points):
        yield "points must name each point of evidence once: a tuple of words of letters, digits and _"
    if not _are_bars(setup.bars):
        yield "bars must name at least the last bar, each with a letter of its own: a tuple of (letter, text)"
    for name in ("looks_back", "extra"):
        if not isinstance(value := getattr(setup, name), int) or value < 0:
            yield f"{name} is {value!r}; give a whole number, 0 or more"
    if not isinstance(setup.places, tuple) or set(map(str, setup.places)) - set(get_args(Place)):
        yield f"places holds {setup.places!r}; give a tuple of some of {', '.join(get_args(Place))}"
    yield from _wrong_numbers(setup.numbers)
    yield from _wrong_functions(setup)


def is_line(text: object) -> bool:
    """Whether something is a text that can be shown in one line."""
    return isinstance(text, str) and bool(text) and text.isprintable()


def is_pair(said: object) -> bool:
    """Whether something is a pair of such texts."""
    match said:
        case (one, other):
            return is_line(one) and is_line(other)
    return False


def _are_names(names: object) -> bool:
    return (
        isinstance(names, tuple)
        and all(isinstance(each, str) and each.isidentifier() for each in names)
        and len(set(names)) == len(names)
    )


def _are_bars(bars: object) -> bool:
    if not isinstance(bars, tuple) or not bars or not all(isinstance(each, tuple) and is_pair(each) for each in bars):
        return False
    letters = [letter for letter, _ in bars]
    return all(len(each) == 1 for each in letters) and len(set(letters)) == len(letters)


def _wrong_numbers(numbers: Any) -> Iterator[str]:  # noqa: ANN401 - as above
    if not isinstance(numbers, type) or not issubclass(numbers, Numbers):
        yield "numbers must be a class derived from Numbers"
        return
    for name, about in numbers.model_fields.items():
        kind = about.annotation
        texts = get_origin(kind) is Literal and all(isinstance(each, str) for each in get_args(kind))
        if kind not in {int, float, bool} and not texts:
            yield f"its number {name} is neither an int, a float, a bool nor a Literal of texts"
        if about.is_required() or not is_line(about.description):
            yield f"its number {name} needs a default, and a description in one line"
        if name in KEYS:
            yield f"its number {name} could not be set, since each setup has a key of that name; rename it"
    if unknown := {name for pair in numbers.ascending for name in pair} - set(numbers.model_fields):
        yield f"ascending names {', '.join(sorted(unknown))}, which is not among its numbers"


def _wrong_functions(setup: Any) -> Iterator[str]:  # noqa: ANN401 - as above
    functions = {"find": setup.find, "measure": setup.measure, "weigh": setup.weigh}
    if isinstance(setup.forming, Forming):
        functions["forming.find"] = setup.forming.find
        if not callable(setup.forming.next_bar):
            yield "forming.next_bar must be a function"
    elif setup.forming is not None:
        yield "forming must be a Forming(find, next_bar), or None"
    if not callable(setup.words):
        yield "words must be a function"
    for name, function in functions.items():
        if not is_compiled(function):
            yield f"{name} is not compiled; write @compiled (scanner.compiling) above it"
