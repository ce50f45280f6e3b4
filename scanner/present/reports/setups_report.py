"""A list of the setups, and one of them explained: its bars, rules, numbers, evidence and what spoils it."""

from __future__ import annotations

import textwrap
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from scanner.analysis.door.evidence import told
from scanner.wording.tables import table

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from scanner.analysis.door.setup import Fit, Numbers, Setup


@dataclass(frozen=True, slots=True)
class Listed:
    """A setup with its numbers, and its settings in a configuration.

    ``watched`` says on, off or for which instruments. ``here`` has the numbers that differ from the default, and where.
    """

    setup: Setup[Any]
    numbers: Numbers
    watched: str
    here: Mapping[str, str]


def value(number: object) -> str:
    """Write a number of a setup as in a configuration.

    >>> value(1 / 3), value(True), value("doji")
    ('0.3333', 'true', 'doji')
    """
    if isinstance(number, bool):
        return str(number).lower()
    return f"{number:.4g}" if isinstance(number, float) else str(number)


def listing(setups: Iterable[Listed], width: int) -> list[str]:
    """Give a table of the setups, then for each a description, its rules and the defaults of its numbers."""
    known = list(setups)
    rows = [(each.setup.name, each.watched, _letters(each.setup), _places(each.setup)) for each in known]
    lines = table(("setup", "watched", "bars", "place"), rows, left=(0, 1, 2, 3))
    for each in known:
        numbers = [f"{name} {value(default)}" for name, default in each.setup.numbers()]
        changed = [f"{name} {here}" for name, here in each.here.items()]
        lines += ["", *_wrapped(f"{each.setup.name}: {each.setup.summary}", width, "")]
        lines += _wrapped(f"rules: {', '.join(each.setup.rules)}", width)
        lines += _wrapped(f"numbers: {', '.join(numbers) or 'none'}", width)
        lines += _wrapped(f"changed here: {', '.join(changed)}", width) if changed else []
    return lines


@dataclass(frozen=True, slots=True)
class Spoken:
    """What a setup says of a bar: name, threshold and text of each rule and point of evidence, and what spoils it."""

    rules: list[tuple[str, str, str]]
    evidence: list[tuple[str, str, str]]
    spoiled_by: list[str]


def speak(listed: Listed, fit: Fit) -> Spoken:
    """Describe a bar in the words of a setup."""
    setup, bars = listed.setup, int(fit.levels["bars"])
    words = setup.words(fit, listed.numbers)
    points = told(setup.points, fit.points, fit.held, words.points)
    return Spoken(
        rules=[(name, *pair) for name, pair in zip(setup.rules, words.rules, strict=True)],
        evidence=[(name, point["threshold"] or "-", point["text"]) for name, point in points.items()],
        spoiled_by=[
            "a close beyond the stop",
            "the MACD line crossing back",
            *([words.spoiler] if words.spoiler else []),
            *([f"{bars} bars without an entry"] if bars else []),
        ],
    )


def explained(listed: Listed, fit: Fit, width: int) -> list[str]:
    """Explain one setup; ``fit`` is a long one, whose words are shown."""
    setup, spoken = listed.setup, speak(listed, fit)
    lines = [
        f"{setup.title} ({setup.name}), watched: {listed.watched}",
        "",
        *_wrapped(setup.summary, width, ""),
        "",
        f"bars   {_letters(setup)}; it looks back at {setup.looks_back} bars before the last one",
        f"place  {_places(setup)}",
        f"ahead  {'can be announced, with forming = true' if setup.forming else 'is not announced'}",
        "",
        "The rules of a long setup, all of which must hold; a short one is its mirror. A threshold that depends on",
        "the bars is that of one invented example.",
        "",
        *table(("rule", "threshold", "what is measured"), spoken.rules, left=(0, 1, 2)),
        "",
        *_numbers(listed),
    ]
    if spoken.evidence:
        lines += ["What is counted as evidence besides the places; no count of it predicts anything:", ""]
        lines += [*table(("evidence", "threshold", "what is measured"), spoken.evidence, left=(0, 1, 2)), ""]
    return [*lines, *_wrapped(f"Spoiled before the entry by {' or by '.join(spoken.spoiled_by)}.", width, "")]


def numbers_of(listed: Listed) -> list[tuple[str, ...]]:
    """Give a row for each number of a setup: its name, its default, its value here if any has one, and its meaning."""
    fields = type(listed.numbers).model_fields
    return [
        (name, value(default), *([listed.here.get(name, "")] if listed.here else []), fields[name].description or "")
        for name, default in listed.setup.numbers()
    ]


def _numbers(listed: Listed) -> list[str]:
    rows, heads = numbers_of(listed), ("number", "default", *(["here"] if listed.here else []), "what it is")
    if not rows:
        return ["It has no numbers of its own.", ""]
    return [*table(heads, rows, left=(0, *range(2, len(heads)))), ""]


def _letters(setup: Setup[Any]) -> str:
    return ", ".join(f"{letter} {name}" for letter, name in setup.bars)


def _places(setup: Setup[Any]) -> str:
    return f"one of {', '.join(setup.places)}" if setup.places else "none needed"


def _wrapped(text: str, width: int, margin: str = "    ") -> list[str]:
    return textwrap.wrap(text, width, initial_indent=margin, subsequent_indent=margin + "  " if margin else "")
