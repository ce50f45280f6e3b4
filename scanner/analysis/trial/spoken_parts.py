"""What a setup says of bars of the tapes: its words, evidence, levels and spoiler, held against what ``Setup`` asks."""

from __future__ import annotations

from itertools import islice
from math import isfinite
from typing import TYPE_CHECKING, Any

from scanner.analysis.columns import ATR, EXPONENTIAL_AVERAGE, FAST_AVERAGE, SLOW_AVERAGE
from scanner.analysis.setup import Fit, Spoiler
from scanner.analysis.trial.tapes import REFLECTION_OF, STILL, WALK

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    import numpy as np
    from numpy.typing import NDArray

    from scanner.analysis.rules import Rules
    from scanner.analysis.setup import Chosen
    from scanner.analysis.trial.compiled_parts import Compiled

    Floats = NDArray[np.float64]

COLD = 20
"""Bars before the series is warm that are looked at: explaining one asks for its words, too."""
AVERAGES = {FAST_AVERAGE, SLOW_AVERAGE, EXPONENTIAL_AVERAGE}
SAYING = ("words", "evidence", "trigger", "base", "spoiler")
MEASURE = {"measured", "threshold", "verdict", "text"}


def wrong(chosen: Chosen, compiled: Compiled, tapes: Floats, rules: Rules, bars: Sequence[int]) -> Iterator[str]:
    """Say what is wrong with each of the five; ``bars`` are warm ones, and some that are cold are looked at besides."""
    looks_back = chosen.setup.looks_back
    cold = range(looks_back, rules.warm_up - 1, max((rules.warm_up - looks_back) // COLD, 1))
    where = [(tape, bar, sign) for tape in (WALK, STILL) for bar in (*cold, *bars) for sign in (1, -1)]
    for name in SAYING:
        each = (_wrong_at(name, chosen, compiled, tapes, rules, *at) for at in where)
        yield from islice(filter(None, each), 1)


def _wrong_at(
    name: str, chosen: Chosen, compiled: Compiled, tapes: Floats, rules: Rules, tape: int, bar: int, sign: int
) -> str:
    """Say what is wrong with what one of the five says of a bar and of its reflection; empty where nothing is."""
    said = []
    for each, side in ((tape, sign), (REFLECTION_OF[tape], -sign)):
        fit = fit_at(compiled, tapes, rules, each, bar, side)
        try:
            said.append(getattr(chosen.setup, name)(fit, chosen.numbers))
        except Exception as problem:  # noqa: BLE001 - a user's own code may raise anything
            return f"{name} raises {type(problem).__name__} ({problem}); it is asked at any bar, held or missed"
        if found := SHAPES[name](said[-1], chosen, bar >= rules.warm_up - 1):
            return found
    if name in REFLECTED and REFLECTED[name](said[0], 1) != REFLECTED[name](said[1], -1):
        return f"{name} differs for long and short on reflected prices; use fit.low, fit.high and fit.sign"
    return ""


def fit_at(compiled: Compiled, tapes: Floats, rules: Rules, tape: int, bar: int, sign: int) -> Fit:
    """Measure a bar of a tape, as the setup's words see it."""
    series = tapes[tape]
    _, measured, verdicts = compiled.measure(series, bar, sign)
    return Fit(series, bar, sign, float(series[ATR, bar]), measured, verdicts, rules)


def _price(said: Any, sign: int) -> object:  # noqa: ANN401 - whatever a user's code gives
    price = sign * float(said[0])
    return price if isfinite(price) else None


def _verdicts(said: Any, sign: int) -> object:  # noqa: ANN401 - as above
    del sign
    return {name: (point["measured"], point["verdict"]) for name, point in said.items()}


def _wrong_words(said: Any, chosen: Chosen, warm: bool) -> str:  # noqa: ANN401 - as above
    del warm
    rules = len(chosen.setup.rules)
    if not isinstance(said, list | tuple):
        return f"words gives a {type(said).__name__}; give a list of pairs, the threshold and what is measured"
    if len(said) != rules:
        return f"words gives {len(said)} thresholds and texts for {rules} rules; give one pair for each rule, in order"
    for pair in said:
        match pair:
            case (str(), str()):
                continue
        return "words gives something else than pairs of two texts: the threshold, and what is measured"
    return ""


def _wrong_evidence(said: Any, chosen: Chosen, warm: bool) -> str:  # noqa: ANN401 - as above
    del chosen, warm
    if not isinstance(said, dict):
        return f"evidence gives a {type(said).__name__}; give a dictionary of points by name"
    for name, point in said.items():
        if not isinstance(point, dict) or set(point) != MEASURE:
            return f"evidence {name} is no point; make it with scanner.analysis.evidence.point"
        if type(point["verdict"]) is not bool:
            return f"the verdict of evidence {name} is a {type(point['verdict']).__name__}; write bool(…) around it"
        if point["measured"] is not None and not (isinstance(point["measured"], float) and isfinite(point["measured"])):
            return f"evidence {name} measured {point['measured']}; make it with scanner.analysis.evidence.point"
    return ""


def _wrong_price(name: str, said: Any, warm: bool) -> str:  # noqa: ANN401 - as above
    match said:
        case (float() | int() as price, str()):
            if warm and not isfinite(price):
                return f"the price of {name} is {price:g} at some bars; give a real price at every bar, held or missed"
            return ""
    return f'{name} gives something else than a price and the words for it: (100.5, "the last bar\'s high")'


def _wrong_spoiler(said: Any, chosen: Chosen, warm: bool) -> str:  # noqa: ANN401 - as above
    del chosen
    if not isinstance(said, Spoiler):
        return f"spoiler gives a {type(said).__name__}; give a Spoiler, Spoiler() where nothing but the stop spoils it"
    if warm and said.beyond is not None and not isfinite(said.beyond):
        return f"the spoiler's price is {said.beyond:g} at some bars; give a real price at every bar, held or missed"
    if said.average not in {None, *AVERAGES}:
        return f"the spoiler's average is column {said.average}, which is no average; see scanner.analysis.columns"
    if bool(said.text) == (said.beyond is None and said.average is None and said.bars is None):
        return "the spoiler needs both a text and what it tells of (beyond, average or bars), or neither"
    return ""


SHAPES = {
    "words": _wrong_words,
    "evidence": _wrong_evidence,
    "trigger": lambda said, _, warm: _wrong_price("trigger", said, warm),
    "base": lambda said, _, warm: _wrong_price("base", said, warm),
    "spoiler": _wrong_spoiler,
}
REFLECTED: dict[str, Callable[[Any, int], object]] = {"trigger": _price, "base": _price, "evidence": _verdicts}
"""What is compared on reflected prices."""
