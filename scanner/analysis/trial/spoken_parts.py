"""A setup's evidence, levels and words for bars of the tapes, compared with what ``Setup`` asks."""

from __future__ import annotations

from itertools import islice
from math import isfinite, isnan
from typing import TYPE_CHECKING, Any

import numpy as np

from scanner.analysis.columns import ATR, EXPONENTIAL_AVERAGE, FAST_AVERAGE, SLOW_AVERAGE
from scanner.analysis.door.setup import ABSENT, HOLDS, Fit, Words
from scanner.analysis.door.shape import is_line, is_pair
from scanner.analysis.trial.compiled_parts import SIGNS, left_alone, same
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
    weighs = (text for at in where for text in _wrong_weighing(compiled, tapes, rules, *at))
    with left_alone(tapes, "weigh"):
        found = list(islice(weighs, 1)) or list(_reaches_too_far(compiled, tapes, rules, bars))
    words = (text for at in where for text in _wrong_at(chosen, fit_at(compiled, tapes, rules, *at)))
    with left_alone(tapes, "words"):
        found = found or list(islice(words, 1))
    yield from found


def fit_at(compiled: Compiled, tapes: Floats, rules: Rules, tape: int, bar: int, sign: int) -> Fit:
    """Measure and weigh a bar of a tape, in the form that the setup's words take."""
    series = tapes[tape]
    return Fit(series, bar, sign, float(series[ATR, bar]), *compiled.weigh(tapes, tape, bar, sign, rules), rules)


def _wrong_weighing(compiled: Compiled, tapes: Floats, rules: Rules, tape: int, bar: int, sign: int) -> Iterator[str]:
    """Describe what is wrong with the weighing of a bar and of its reflection."""
    fit, other = (
        fit_at(compiled, tapes, rules, each, bar, side) for each, side in ((tape, sign), (REFLECTION_OF[tape], -sign))
    )
    names = compiled.setup.points
    for number in np.flatnonzero(fit.held > ABSENT):
        yield f"weigh gives {fit.held[number]} for the point {names[number]}; write whether it holds, or UNKNOWN"
    if fit.verdicts.all():
        for number in np.flatnonzero(np.isnan(fit.points) & (fit.held == HOLDS)):
            yield f"the point {names[number]} holds where its measured value is NaN; measure it, or write UNKNOWN"
    yield from _wrong_levels(fit, warm=bar >= rules.warm_up - 1)
    for number in np.flatnonzero(~(same(fit.points, other.points) & (fit.held == other.held))):
        yield f"the point {names[number]} {_ONE_SIDED}"
    for name in PRICES:
        if not same(fit.levels[name], -other.levels[name]):
            yield f"levels.{name} {_ONE_SIDED}"


def _wrong_levels(fit: Fit, *, warm: bool) -> Iterator[str]:
    levels = fit.levels
    for name in PRICES[:2]:
        if warm and not isfinite(levels[name]):
            yield f"the {name} is {levels[name]:g} at some bars; give a real price at every bar, held or missed"
    if fit.verdicts.all() and fit.sign * (levels["trigger"] - levels["base"]) <= 0:
        yield "levels.base does not lie beyond levels.trigger, as a stop does: below it for long, above it for short"
    if levels["average"] not in AVERAGES:
        yield f"levels.average is column {levels['average']}, which is not an average; see scanner.analysis.columns"
    if levels["closes"] < 1 or levels["bars"] < 0:
        yield "levels.closes must be 1 or more, and levels.bars 0 or more"


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


def _wrong_at(chosen: Chosen, fit: Fit) -> Iterator[str]:
    """Describe what is wrong with the words of a bar."""
    try:
        words, again = (chosen.setup.words(fit, chosen.numbers) for _ in range(2))
    except (Exception, SystemExit) as problem:  # noqa: BLE001 - a user's own code may raise anything
        yield f"words raises {type(problem).__name__} ({problem}); it must answer for any bar, held or missed"
        return
    if not isinstance(words, Words):
        yield f"words gives a {type(words).__name__}; give Words(rules, points, trigger, base, spoiler)"
    elif not isinstance(words.rules, list | tuple) or not isinstance(words.points, dict):
        yield "words must give its rules as a list and its points as a dict"
    elif words != again:
        yield "words gives other texts when asked again; they must depend on the bars alone"
    else:
        yield from _wrong_words(chosen, words, fit.levels)


def _wrong_words(chosen: Chosen, words: Words, level: Any) -> Iterator[str]:  # noqa: ANN401 - a LEVELS record
    rules = len(chosen.setup.rules)
    if len(words.rules) != rules:
        yield f"words gives {len(words.rules)} thresholds and texts for {rules} rules; give one pair for each, in order"
    if strangers := set(chosen.setup.points) ^ set(words.points):
        yield f"words and points do not name the same points of evidence ({', '.join(map(str, sorted(strangers)))})"
    if not all(map(is_pair, (*words.rules, *words.points.values()))):
        yield "words does not give pairs of two texts in one line: the threshold, and what is measured"
    for name in ("trigger", "base"):
        if not is_line(getattr(words, name)):
            yield f'words does not say what the {name} is; give a text in one line, such as "the last bar\'s high"'
    if words.spoiler != "" and not is_line(words.spoiler):
        yield "the spoiler must be a text in one line"
    spoils = not isnan(level["beyond"]) or level["average"] != NO_AVERAGE or level["bars"] > 0
    if bool(words.spoiler) != spoils:
        yield "the spoiler needs both a text and what it describes (levels.beyond, average or bars), or neither"
