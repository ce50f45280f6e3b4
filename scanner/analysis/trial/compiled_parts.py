"""What ``find`` and ``measure`` of a setup do on the tapes, compared with what ``Setup`` asks of them."""

from __future__ import annotations

import re
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import product
from operator import attrgetter
from typing import TYPE_CHECKING, Any

import numba
import numpy as np
from numba.core.errors import NumbaError

from scanner.analysis.door.searching import NO_RULE, SPOT
from scanner.analysis.door.setup import LEVELS
from scanner.analysis.trial.tapes import REFLECTION_OF, STILL, STILL_MIRRORED, WALK

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from scanner.analysis.door.setup import Chosen
    from scanner.analysis.rules import Rules

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]

BEYOND = 16
"""Spare values after those that compiled code may write, to see whether it writes further."""
SAMPLES = 40
"""Bars checked closely: so many at which the setup holds, and so many others."""
STRANGE = 7
"""Not a verdict: marks what was not written."""
UNFOUND = -9
"""Not part of a spot: marks what was not written."""
SIGNS = (1, -1)


class TrialError(Exception):
    """The trial cannot go on; the message says why, in one sentence."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What ``measure`` gave for every bar from ``first`` on (tapes × signs × bars, of the signs + and −)."""

    first: int
    measured: Floats
    verdicts: NDArray[np.uint8]
    holds: NDArray[np.bool_]

    def found(self, tape: int) -> list[tuple[int, int, int]]:
        """Give (tape, bar, sign) of every bar of a tape at which the setup holds, in order of bars."""
        at = np.argwhere(self.holds[tape].T)
        return [(tape, self.first + int(bar), SIGNS[side]) for bar, side in at]

    def nearly(self, tape: int) -> list[tuple[int, ...]]:
        """Give (tape, bar, sign, failing rule) of every bar of a tape at which at most one rule fails."""
        fails = self.verdicts[tape].transpose(1, 0, 2) == 0
        which = np.where(fails.any(axis=-1), fails.argmax(axis=-1), NO_RULE)
        at = np.argwhere(fails.sum(axis=-1) <= 1)
        return [(tape, self.first + int(bar), SIGNS[side], int(which[bar, side])) for bar, side in at]

    def samples(self) -> list[int]:
        """Choose bars of the walk to check closely: some at which the setup holds, and some at which it does not."""
        holding = np.flatnonzero(self.holds[WALK].any(axis=0))[:SAMPLES]
        others = np.linspace(0, self.holds.shape[2] - 2, SAMPLES).astype(int)
        return sorted({self.first + int(bar) for bar in (*holding, *others)})


class Compiled:
    """The compiled functions of a setup with its numbers; TrialError if they do not compile, raise or write too far."""

    def __init__(self, chosen: Chosen) -> None:
        self.setup = chosen.setup
        self.numbers = chosen.numbers.record()
        self.rules = len(self.setup.rules)
        self.values = self.rules + self.setup.extra

    def measure(
        self, series: Floats, bars: range, sign: int, before: float = np.nan
    ) -> tuple[NDArray[np.bool_], Floats, NDArray[np.uint8]]:
        """Measure bars, one a row; the measured values are set to ``before`` beforehand."""
        room = np.full((len(bars), self.values + BEYOND), before)
        spare = np.full((len(bars), self.rules + BEYOND), STRANGE, dtype=np.uint8)
        measured, verdicts, numbers = room[:, : self.values], spare[:, : self.rules], self.numbers[0]
        held = [
            self._call("measure", series, t, float(sign), numbers, *row)
            for t, *row in zip(bars, measured, verdicts, strict=True)
        ]
        if (spare[:, self.rules :] != STRANGE).any():
            raise TrialError(f"measure writes more verdicts than the {self.rules} rules; write one for each rule")
        if not same(room[:, self.values :], np.full(BEYOND, before)).all():
            raise TrialError(
                f"measure writes more values than the {self.rules} rules and extra = {self.setup.extra} allow; "
                "give extra the number of values beyond the rules"
            )
        return np.array(held, dtype=np.bool_), measured, verdicts

    def weigh(
        self, columns: Floats, row: int, t: int, sign: int, rules: Rules
    ) -> tuple[Floats, NDArray[np.uint8], Floats, NDArray[np.uint8], Any]:
        """Weigh a bar of a series; gives values, verdicts, points, whether they hold, and a LEVELS record."""
        count = len(self.setup.points)
        measured, verdicts = np.empty((1, self.values)), np.empty((1, self.rules), dtype=np.uint8)
        room, spare = np.full(count + BEYOND, np.nan), np.full(count + BEYOND, STRANGE, dtype=np.uint8)
        points, held, levels = room[:count].reshape(1, -1), spare[:count].reshape(1, -1), np.zeros(1, dtype=LEVELS)
        out = (measured, verdicts, points, held, levels)
        self._call("weigh", columns, np.array([[row, t, sign]]), self.numbers, rules.record, out)
        if (spare[count:] != STRANGE).any() or not np.isnan(room[count:]).all():
            raise TrialError(f"weigh writes more points than the {count} that points names; name each of them")
        return measured[0], verdicts[0], points[0], held[0], levels[0]

    def find(
        self, columns: Floats, rows: Integers, first: Integers, stop: Integers, name: str = "find"
    ) -> list[tuple[int, int, int]]:
        """Give (row, bar, sign) of what ``find``, or another function like it, finds."""
        found = self._found(columns, rows, first, stop, name, SPOT)
        return [(row, bar, sign) for row, bar, sign in found.tolist()]

    def nearly(self, columns: Floats, rows: Integers, first: Integers, stop: Integers) -> list[tuple[int, ...]]:
        """Give (row, bar, sign, failing rule) of what ``find`` finds if bars may miss one rule."""
        return list(map(tuple, self._found(columns, rows, first, stop, "find", SPOT + 1).tolist()))

    def _found(
        self, columns: Floats, rows: Integers, first: Integers, stop: Integers, name: str, width: int
    ) -> Integers:
        longest, bars = int((stop - first).max()), int((stop - first).sum())
        marks = np.full(longest + BEYOND, STRANGE, dtype=np.uint8)
        room = np.full((2 * bars + BEYOND, width), UNFOUND, dtype=np.int64)
        count = self._call(name, columns, rows, first, stop, self.numbers, marks[:longest], room[: 2 * bars])
        if not 0 <= count <= 2 * bars or (room[2 * bars :] != UNFOUND).any():
            raise TrialError(f"{name} finds {count} setups among {bars} bars; write each bar and sign at most once")
        if (marks[longest:] != STRANGE).any():
            raise TrialError(f"{name} marks bars past its stretch; write marks[0] to marks[stop - first - 1] only")
        return room[:count]

    def _call(self, name: str, *given: Any) -> Any:  # noqa: ANN401 - what compiled code takes and gives
        function = attrgetter(name)(self.setup)
        try:
            return function(*given)
        except Exception as problem:  # noqa: BLE001 - a user's own code may raise anything
            if tuple(map(numba.typeof, given)) not in function.overloads:
                raise TrialError(f"{name} does not compile: {reason(problem)}") from None
            raise TrialError(
                f"{name} raises {type(problem).__name__} ({problem}); it must answer for any bar, with NaN if there is "
                "nothing to measure"
            ) from None


def reason(problem: Exception) -> str:
    """Pick what matters from the compiler's long message: its first sentence, and the line that it is about."""
    text = re.sub(r"\x1b\[[0-9;]*m", "", str(problem) if isinstance(problem, NumbaError) else repr(problem))
    said = [line.strip() for line in text.splitlines() if line.strip()]
    first = next((line for line in said if not line.startswith("Failed in")), "no reason given")
    places = re.findall(r'File "([^"]+)", line (\d+)', text)
    where = f" (line {places[-1][1]} of {places[-1][0].rpartition('/')[2]})" if places else ""
    return f"{first.rstrip('.:')}{where}"


def tried(compiled: Compiled, tapes: Floats, warm_up: int) -> Outcome:
    """Measure every bar of the tapes; TrialError with the first thing that is wrong with that."""
    first = warm_up - 1
    with left_alone(tapes, "measure"):
        outcome = _outcome(compiled, tapes, first)
    names = compiled.setup.rules
    for tape in (WALK, STILL):
        unfilled = np.flatnonzero((outcome.verdicts[tape] == STRANGE).any(axis=(0, 1)))
        if len(unfilled):
            raise TrialError(f"measure leaves the verdict of {names[unfilled[0]]} unfilled; write 0 or 1 at every bar")
    every = max(outcome.holds.shape[2] // SAMPLES, 1)
    for tape, (side, sign) in product((WALK, STILL), enumerate(SIGNS)):
        bars, known = range(first, tapes.shape[2], every), outcome.measured[tape, side, ::every]
        if not same(known, compiled.measure(tapes[tape], bars, sign)[1]).all():
            raise TrialError("measure gives another answer when asked again; it must depend on the bars alone")
        other = compiled.measure(tapes[tape], bars, sign, before=-1.25)[1]
        for number in np.flatnonzero(~same(known, other).all(axis=0)):
            raise TrialError(
                f"measure leaves {_value(compiled, int(number))} unfilled; write it at every bar, NaN if there is "
                "nothing to measure"
            )
    return outcome


def wrong(compiled: Compiled, tapes: Floats, outcome: Outcome) -> Iterator[str]:
    """Describe what is wrong with what was measured and with what is found."""
    with left_alone(tapes, "find"):
        found = [*_reaches_too_far(compiled, tapes, outcome), *_disagrees(compiled, tapes, outcome)]
    yield from (*_wrong_verdicts(compiled, outcome), *found)
    for one, other in REFLECTION_OF.items():
        alike = same(outcome.measured[one, ::-1], outcome.measured[other])[..., : compiled.rules]
        alike &= outcome.verdicts[one, ::-1] == outcome.verdicts[other]
        different = np.flatnonzero(~alike.all(axis=(0, 1)))
        if len(different):
            yield (
                f"the rule {compiled.setup.rules[different[0]]} differs for long and short on reflected prices; "
                "write it once, for long, and read prices through scanner.analysis.bar_sides"
            )
            return


def _outcome(compiled: Compiled, tapes: Floats, first: int) -> Outcome:
    bars = range(first, tapes.shape[2])
    said = [[compiled.measure(series, bars, sign) for sign in SIGNS] for series in tapes]
    holds, measured, verdicts = (np.array([[each[part] for each in both] for both in said]) for part in range(3))
    return Outcome(first, measured, verdicts, holds)


def _wrong_verdicts(compiled: Compiled, outcome: Outcome) -> Iterator[str]:
    names = compiled.setup.rules
    empty = np.isnan(outcome.measured[WALK, ..., : compiled.rules]) & (outcome.verdicts[WALK] != 0)
    for number in np.flatnonzero(empty.any(axis=(0, 1)))[:1]:
        yield f"the rule {names[number]} holds where its measured value is NaN; measure it, or let it fail there"
    all_hold = (outcome.verdicts != 0).all(axis=-1)
    if (all_hold != outcome.holds).any():
        yield "measure does not return whether all verdicts hold; end it with return all_hold(verdicts, len(RULES))"


def _reaches_too_far(compiled: Compiled, tapes: Floats, outcome: Outcome) -> Iterator[str]:
    """Measure and find single bars again, with other bars after them, or before all bars that they may look back at."""
    looks_back, walk = compiled.setup.looks_back, tapes[WALK : WALK + 1].copy()
    ahead = behind = ""
    for bar in outcome.samples():
        found = compiled.find(tapes, *_only(bar))
        for kept, others in (((0, bar + 1), "after"), ((bar - looks_back, walk.shape[2]), "before")):
            for strange in (np.full(tapes.shape[1:], np.nan), 2.0 * tapes[STILL_MIRRORED]):
                walk[0] = strange
                walk[0, :, kept[0] : kept[1]] = tapes[WALK, :, kept[0] : kept[1]]
                culprit = _changed(compiled, walk, bar, outcome, found)
                if others == "after":
                    ahead = ahead or culprit
                else:
                    behind = behind or culprit
    if ahead:
        yield f"{ahead} looks ahead: with other bars after t its answer for t changes; read no bar after t"
    if behind:
        yield (
            f"{behind} reads further back than looks_back = {looks_back}: with other bars before those its "
            "answer changes; raise looks_back to the earliest bar that is read, with any numbers"
        )


def _changed(compiled: Compiled, walk: Floats, bar: int, outcome: Outcome, found: list[tuple[int, int, int]]) -> str:
    """Name the function whose answer for a bar has changed; empty if neither's has."""
    for side, sign in enumerate(SIGNS):
        _, (measured,), (verdicts,) = compiled.measure(walk[0], range(bar, bar + 1), sign)
        at = (WALK, side, bar - outcome.first)
        if not same(measured, outcome.measured[at]).all() or (verdicts != outcome.verdicts[at]).any():
            return "measure"
    return "" if compiled.find(walk, *_only(bar)) == found else "find"


def _only(bar: int) -> tuple[Integers, Integers, Integers]:
    return np.array([WALK]), np.array([bar]), np.array([bar + 1])


def _disagrees(compiled: Compiled, tapes: Floats, outcome: Outcome) -> Iterator[str]:
    """Compare what is found in whole tapes and in stretches of several with every bar measured on its own."""
    end, half = tapes.shape[2], (outcome.first + tapes.shape[2]) // 2
    for rows, first, stop in (
        ([0, 1, 2, 3], [outcome.first] * 4, [end] * 4),
        ([3, 0, 2], [half, half + 7, half], [end, half + 507, half]),
    ):
        found = compiled.find(tapes, np.array(rows), np.array(first), np.array(stop))
        wanted = [
            each
            for row, begin, after in zip(rows, first, stop, strict=True)
            for each in outcome.found(row)
            if begin <= each[1] < after
        ]
        missed, added = len(set(wanted) - set(found)), len(set(found) - set(wanted))
        if missed or added:
            yield (
                f"find and measure disagree on the invented tapes: of {len(wanted)} bars at which measure holds, find "
                f"misses {missed}, and it finds {added} others; let mark let through all that measure may let through"
            )
            return
        if found != wanted:
            yield "find does not write what it finds in order of series and bar, long before short; use searched"
            return
    nearly = compiled.nearly(tapes, *(np.array([each]) for each in (WALK, outcome.first, end)))
    if nearly != outcome.nearly(WALK):
        yield (
            "find with a fourth column does not write every bar at which at most one rule fails, and the number of "
            "that rule, or -1; use searched"
        )


@contextmanager
def left_alone(tapes: Floats, name: str) -> Iterator[None]:
    """Say that a function changes the bars, if they have changed in the meantime; TrialError."""
    before = tapes.copy()
    yield
    if not same(tapes, before).all():
        raise TrialError(
            f"{name} changes the bars that it is given, which all setups share; write to what it gives only"
        )


def same(one: Floats, other: Floats) -> NDArray[np.bool_]:
    """Compare values one by one; NaN is the same as NaN."""
    alike: NDArray[np.bool_] = (one == other) | (np.isnan(one) & np.isnan(other))
    return alike


def _value(compiled: Compiled, number: int) -> str:
    if number < compiled.rules:
        return f"the measured value of {compiled.setup.rules[number]}"
    return f"extra value {number - compiled.rules + 1}"
