"""The trial of a setup: it is run on invented tapes, and each fault is described in a sentence.

It shows that a setup does what ``Setup`` asks, not that it is of any use.
"""

from __future__ import annotations

from itertools import compress
from typing import TYPE_CHECKING

from scanner.analysis.trial import compiled_parts, forming_parts, spoken_parts
from scanner.analysis.trial.tapes import WALK, tapes

if TYPE_CHECKING:
    from scanner.analysis.door.setup import Chosen, Fit
    from scanner.analysis.rules import Rules


def wrong_ways(chosen: Chosen, rules: Rules) -> list[str]:
    """Describe each fault of a setup with its numbers; nothing if it has none.

    A fault that hides others, such as code that does not compile, is given alone.
    """
    bars, looks_back = len(chosen.setup.bars), chosen.setup.looks_back
    if not bars - 1 <= looks_back < rules.warm_up:
        least, most = bars - 1, rules.warm_up - 1
        given = f"with {bars} bars and a warm-up of {rules.warm_up} bars"
        return [f"looks_back is {looks_back}; {given} it must be {least} to {most}"]
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
