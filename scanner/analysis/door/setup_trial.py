"""The trial of a setup: it is run on invented tapes, and each fault is described in a sentence.

It shows that a setup does what ``Setup`` asks, not that it is of any use.
"""

from __future__ import annotations

from itertools import compress
from typing import TYPE_CHECKING, get_args

from scanner.analysis.trial import compiled_parts, forming_parts, spoken_parts
from scanner.analysis.trial.tapes import WALK, tapes
from scanner.event_data import Place

if TYPE_CHECKING:
    from collections.abc import Iterator

    from scanner.analysis.door.setup import Chosen, Fit
    from scanner.analysis.rules import Rules

RULES_OF_PLACES = {"place", "reach"}
"""Names of rules that are added to a setup that needs a place."""


def wrong_ways(chosen: Chosen, rules: Rules) -> list[str]:
    """Describe each fault of a setup with its numbers; nothing if it has none.

    A fault that hides others, such as code that does not compile, is given alone.
    """
    if found := list(_wrong_shape(chosen, rules)):
        return found
    try:
        compiled, invented = compiled_parts.Compiled(chosen), tapes(rules)
        outcome = compiled_parts.tried(compiled, invented, rules.warm_up)
        found = list(compiled_parts.wrong(compiled, invented, outcome))
        found += spoken_parts.wrong(chosen, compiled, invented, rules, outcome.samples())
        return found + list(forming_parts.wrong(chosen, compiled, invented, rules, outcome))
    except compiled_parts.TrialError as problem:
        return [str(problem)]


def example_fit(chosen: Chosen, rules: Rules) -> Fit:
    """Give a long setup on an invented tape, or the tape's last bar if it has none, as an example for words."""
    compiled, invented = compiled_parts.Compiled(chosen), tapes(rules)
    bars = range(rules.warm_up - 1, invented.shape[2])
    holding = compress(bars, compiled.measure(invented[WALK], bars, 1)[0])
    return spoken_parts.fit_at(compiled, invented, rules, WALK, next(holding, bars[-1]), 1)


def _wrong_shape(chosen: Chosen, rules: Rules) -> Iterator[str]:
    """Check what can be checked without running anything."""
    setup = chosen.setup
    names, letters = setup.rules, [letter for letter, _ in setup.bars]
    if not names or len(set(names)) < len(names) or RULES_OF_PLACES & set(names):
        yield "rules must name at least one rule, each once, and none place or reach"
    if not letters or len(set(letters)) < len(letters):
        yield "bars must name at least the last bar, each with a letter of its own"
    if not len(letters) - 1 <= setup.looks_back < rules.warm_up:
        yield (
            f"looks_back is {setup.looks_back}; with {len(letters)} bars and a warm-up of {rules.warm_up} bars it must "
            f"be {len(letters) - 1} to {rules.warm_up - 1}"
        )
    if strangers := set(setup.places) - set(get_args(Place)):
        yield f"places holds {', '.join(sorted(strangers))}; there is {', '.join(get_args(Place))}"
    try:
        type(chosen.numbers)().record()
    except Exception as problem:  # noqa: BLE001 - a user's own code may raise anything
        yield (
            f"its numbers cannot be handed to compiled code ({type(problem).__name__}); each must be an int, a float, "
            "a bool or a Literal of texts, with a default"
        )
