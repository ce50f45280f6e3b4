"""A setup's evidence, levels and words for bars of the tapes, compared with what ``Setup`` asks."""

from __future__ import annotations

from itertools import islice
from math import isfinite, isnan
from typing import TYPE_CHECKING, Any

import numpy as np

from scanner.analysis.columns import ATR, EXPONENTIAL_AVERAGE, FAST_AVERAGE, SLOW_AVERAGE
from scanner.analysis.door.setup import ABSENT, Fit, Words
from scanner.analysis.trial.compiled_parts import SIGNS, same
from scanner.analysis.trial.tapes import REFLECTION_OF, STILL, STILL_MIRRORED, WALK

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from scanner.analysis.door.setup import Chosen
    from scanner.analysis.rules import Rules
    from scanner.analysis.trial.compiled_parts import Compiled

    Floats = NDArray[np.float64]

COLD = 20
"""Bars before the series is warm that are checked: explaining one asks for its words too."""
NO_AVERAGE = -1
AVERAGES = {NO_AVERAGE, FAST_AVERAGE, SLOW_AVERAGE, EXPONENTIAL_AVERAGE}
PRICES = ("trigger", "base", "beyond")


def wrong(chosen: Chosen, compiled: Compiled, tapes: Floats, rules: Rules, bars: Sequence[int]) -> Iterator[str]:
    """Describe what is wrong with ``weigh``, else with ``words``.

    ``bars`` are warm; some cold ones are checked as well.
    """
    looks_back = chosen.setup.looks_back
    cold = range(looks_back, rules.warm_up - 1, max((rules.warm_up - looks_back) // COLD, 1))
    where = [(tape, bar, sign) for tape in (WALK, STILL) for bar in (*cold, *bars) for sign in (1, -1)]
    weighs = (_wrong_weighing(compiled, tapes, rules, *at) for at in where)
    found = list(islice(filter(None, weighs), 1)) or list(_reaches_too_far(compiled, tapes, rules, bars))
    words = (_wrong_at(chosen, fit_at(compiled, tapes, rules, *at)) for at in where)
    yield from found or islice(filter(None, words), 1)


def fit_at(compiled: Compiled, tapes: Floats, rules: Rules, tape: int, bar: int, sign: int) -> Fit:
    """Measure and weigh a bar of a tape, in the form that the setup's words take."""
    series = tapes[tape]
    return Fit(series, bar, sign, float(series[ATR, bar]), *compiled.weigh(tapes, tape, bar, sign, rules), rules)


def _wrong_weighing(compiled: Compiled, tapes: Floats, rules: Rules, tape: int, bar: int, sign: int) -> str:
    """Describe what is wrong with the weighing of a bar and of its reflection; empty if nothing is."""
    fit, other = (
        fit_at(compiled, tapes, rules, each, bar, side) for each, side in ((tape, sign), (REFLECTION_OF[tape], -sign))
    )
    names, warm = compiled.setup.points, bar >= rules.warm_up - 1
    for name, said in zip(names, fit.held.tolist(), strict=True):
        if said > ABSENT:
            return f"weigh gives {said} for the point {name}; write whether it holds, or UNKNOWN"
    for name in PRICES[:2]:
        if warm and not isfinite(fit.levels[name]):
            return f"the {name} is {fit.levels[name]:g} at some bars; give a real price at every bar, held or missed"
    if fit.levels["average"] not in AVERAGES:
        return (
            f"levels.average is column {fit.levels['average']}, which is not an average; see scanner.analysis.columns"
        )
    alike = same(fit.points, other.points) & (fit.held == other.held)
    for number in np.flatnonzero(~alike):
        return f"the point {names[number]} {_ONE_SIDED}"
    for name in PRICES:
        if not same(fit.levels[name], -other.levels[name]):
            return f"levels.{name} {_ONE_SIDED}"
    return ""


_ONE_SIDED = (
    "differs for long and short on reflected prices; write it once, for long, and read prices through "
    "scanner.analysis.bar_sides; levels are real prices, so reflect them back with sign"
)


def _reaches_too_far(compiled: Compiled, tapes: Floats, rules: Rules, bars: Sequence[int]) -> Iterator[str]:
    """Weigh single bars again, with other bars after them, or before all bars that they may look back at."""
    back, others = max(compiled.setup.looks_back, rules.looks_back), tapes.copy()
    for bar in bars:
        said = [part for sign in SIGNS for part in compiled.weigh(tapes, WALK, bar, sign, rules)]
        for kept, which in ((slice(0, bar + 1), "after t"), (slice(bar - back, None), f"before t - {back}")):
            for strange in (np.full(tapes.shape[1:], np.nan), 2.0 * tapes[STILL_MIRRORED]):
                others[WALK] = strange
                others[WALK, :, kept] = tapes[WALK, :, kept]
                again = [part for sign in SIGNS for part in compiled.weigh(others, WALK, bar, sign, rules)]
                if not all(map(_unchanged, said, again)):
                    yield f"weigh reads bars {which}: with others there its answer for t changes"
                    return


def _unchanged(one: Any, other: Any) -> bool:  # noqa: ANN401 - arrays, or a LEVELS record
    if one.tobytes() == other.tobytes():  # the bytes of NaN may differ
        return True
    if one.dtype.names:
        return all(np.array_equal(one[name], other[name], equal_nan=True) for name in one.dtype.names)
    return np.array_equal(one, other, equal_nan=True)


def _wrong_at(chosen: Chosen, fit: Fit) -> str:  # noqa: PLR0911 - one for each way to be wrong
    """Describe what is wrong with the words of a bar; empty if nothing is."""
    try:
        words: object = chosen.setup.words(fit, chosen.numbers)
    except Exception as problem:  # noqa: BLE001 - a user's own code may raise anything
        return f"words raises {type(problem).__name__} ({problem}); it must answer for any bar, held or missed"
    if not isinstance(words, Words):
        return f"words gives a {type(words).__name__}; give Words(rules, points, trigger, base, spoiler)"
    rules = len(chosen.setup.rules)
    if len(words.rules) != rules:
        return (
            f"words gives {len(words.rules)} thresholds and texts for {rules} rules; give one pair for each, in order"
        )
    if strangers := set(chosen.setup.points) ^ set(words.points):
        return f"words and points do not name the same points of evidence ({', '.join(sorted(strangers))})"
    if not all(map(_is_pair, (*words.rules, *words.points.values()))):
        return "words does not give pairs of two texts: the threshold, and what is measured"
    for name in ("trigger", "base"):
        if not (isinstance(text := getattr(words, name), str) and text):
            return f'words does not say what the {name} is; give a text such as "the last bar\'s high"'
    level = fit.levels
    spoils = not isnan(level["beyond"]) or level["average"] != NO_AVERAGE or level["bars"] > 0
    if bool(words.spoiler) != spoils:
        return "the spoiler needs both a text and what it describes (levels.beyond, average or bars), or neither"
    return ""


def _is_pair(said: object) -> bool:
    match said:
        case (str(), str()):
            return True
    return False
