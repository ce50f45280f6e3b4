"""What a setup announces one bar ahead on the tapes, compared with what ``Forming`` asks of it."""

from __future__ import annotations

from itertools import product
from math import isnan
from typing import TYPE_CHECKING, Any

import numpy as np

from scanner.analysis.columns import CLOSE, HIGH, LOW, OPEN
from scanner.analysis.indicators.kernel import fresh_state
from scanner.analysis.indicators.running import averages_after
from scanner.analysis.next_bar import WHATS, Before, Need, ahead_of, met
from scanner.analysis.trial.compiled_parts import SIGNS, TrialError, left_alone
from scanner.analysis.trial.tapes import REFLECTION_OF, STILL_MIRRORED, WALK

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from scanner.analysis.door.setup import Chosen
    from scanner.analysis.rules import Rules
    from scanner.analysis.trial.compiled_parts import Compiled, Outcome

    Floats = NDArray[np.float64]
    Bar = tuple[int, int, int]
    """Tape, bar and sign."""

FIND = "forming.find"


def wrong(chosen: Chosen, compiled: Compiled, tapes: Floats, rules: Rules, outcome: Outcome) -> Iterator[str]:
    """Describe the first thing wrong with ``find`` or ``next_bar``; nothing for a setup that is not announced ahead."""
    if chosen.setup.forming is None:
        return
    count, end = len(tapes), tapes.shape[2]
    with left_alone(tapes, FIND):
        found = set(compiled.find(tapes, np.arange(count), np.full(count, outcome.first), np.full(count, end), FIND))
    if problem := _reaches_too_far(compiled, tapes, outcome, found):
        yield problem
    elif any(_of(found, one, 1) != _of(found, other, -1) for one, other in REFLECTION_OF.items()):
        yield (f"{FIND} differs for long and short on reflected prices; read prices through scanner.analysis.bar_sides")
    else:
        with left_alone(tapes, "next_bar"):
            needs = {at: _needs(chosen, tapes, rules, at) for at in sorted(found)}
        yield from _wrong_needs(chosen, tapes, outcome, needs)


def _of(found: set[Bar], tape: int, factor: int) -> set[tuple[int, int]]:
    """Give bar, and sign times a factor, of what was found on a tape."""
    return {(bar, factor * sign) for each, bar, sign in found if each == tape}


def _reaches_too_far(compiled: Compiled, tapes: Floats, outcome: Outcome, found: set[Bar]) -> str:
    """Find single bars again, with other bars after them, or before all bars that they may look back at."""
    looks_back, walk = compiled.setup.looks_back, tapes[WALK : WALK + 1].copy()
    for bar in sorted({bar for t in outcome.samples() for bar in (t - 1, t) if bar >= outcome.first}):
        only = np.array([WALK]), np.array([bar]), np.array([bar + 1])
        wanted = [(WALK, bar, sign) for sign in SIGNS if (WALK, bar, sign) in found]
        for first, last in ((0, bar + 1), (bar + 1 - looks_back, walk.shape[2])):
            for strange in (np.full(tapes.shape[1:], np.nan), 2.0 * tapes[STILL_MIRRORED]):
                walk[0] = strange
                walk[0, :, first:last] = tapes[WALK, :, first:last]
                if compiled.find(walk, *only, FIND) != wanted:
                    if last == bar + 1:
                        return f"{FIND} looks ahead: with other bars after p its answer for p changes; read none"
                    return (
                        f"{FIND} reads further back than looks_back = {looks_back}, counted from the bar after p: with "
                        "other bars before those its answer changes"
                    )
    return ""


def _needs(chosen: Chosen, tapes: Floats, rules: Rules, at: Bar) -> list[Need]:
    """Ask what the bar after one must do, without showing any later bar; TrialError for a wrong answer."""
    tape, bar, sign = at
    closes = tapes[tape, CLOSE, : bar + 1]
    ahead = ahead_of(closes, averages_after(closes, fresh_state()[0], rules.record[0]), rules)
    before = Before(tapes[tape, :, : bar + 1], bar, sign, rules, ahead)
    try:
        said: Any = chosen.setup.forming and chosen.setup.forming.next_bar(before, chosen.numbers)
    except (Exception, SystemExit) as problem:  # noqa: BLE001 - a user's own code may raise anything
        raise TrialError(
            f"next_bar raises {type(problem).__name__} ({problem}); it is asked at every bar that {FIND} finds, and "
            "sees no later one"
        ) from None
    if not isinstance(said, list | tuple) or not said or not all(isinstance(each, Need) for each in said):
        raise TrialError("next_bar does not give a list of Needs; give at least one")
    for each in said:
        if each.what not in WHATS:
            raise TrialError(f"next_bar asks for {each.what!r}; there is {', '.join(WHATS)}")
        if not isinstance(each.why, str):
            raise TrialError(f"next_bar gives a {type(each.why).__name__} as the reason for {each.what}; give a text")
    return list(said)


def _wrong_needs(chosen: Chosen, tapes: Floats, outcome: Outcome, needs: dict[Bar, list[Need]]) -> Iterator[str]:
    """Compare what was asked of the next bars with their reflections, and with what ``measure`` gives for them."""
    for (tape, bar, sign), asked in needs.items():
        if tape in REFLECTION_OF:
            other = needs[REFLECTION_OF[tape], bar, -sign]
            if [_bounds(each) for each in asked] != [_bounds(each) for each in other]:
                yield "next_bar differs for long and short on reflected prices; read prices through what it is given"
                return
    missed = added = total = 0
    for tape, (side, sign), t in product(REFLECTION_OF, enumerate(SIGNS), range(outcome.first + 1, tapes.shape[2])):
        holds = bool(outcome.holds[tape, side, t - outcome.first])
        prices = sign * tapes[tape, [OPEN, HIGH, LOW, CLOSE], t]
        bar = prices.tolist() if sign > 0 else prices[[0, 2, 1, 3]].tolist()
        done = (tape, t - 1, sign) in needs and all(met(each, bar) for each in needs[tape, t - 1, sign])
        total, missed, added = total + holds, missed + (holds and not done), added + (done and not holds)
    if missed or added:
        yield (
            f"what is announced of the {chosen.setup.title} one bar ahead and measure disagree on the invented tapes: "
            f"of {total} bars at which measure holds, {missed} were not announced, and at {added} others the next bar "
            f"did all that was asked; {FIND} and next_bar together must ask exactly what the rules ask"
        )


def _bounds(need: Need) -> tuple[object, ...]:
    least, most = (None if isnan(bound) else bound for bound in (need.least, need.most))
    return need.what, least, most, need.beyond
