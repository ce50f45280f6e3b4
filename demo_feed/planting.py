"""Planting: looks for a moment in a market at which three bent bars make exactly the wanted case, and puts them there.

What comes later moves along with the last planted close, so that the market goes on as it would have.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from demo_feed.case import Case, Outcome
from demo_feed.place_check import evidence, places, plan
from demo_feed.rule_check import CLOSE, FAST, WARM_UP, B, State, check, missed
from demo_feed.sketches import Draw, fitting, set_in_steps

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.random import Generator

    from demo_feed.rule_check import Flags, Ints, Tape

DRAWS = 8
"""Sketches tried at every bar of a stretch."""

FIRST_END = 130
"""Before this bar the places have too little to look at."""

MAX_WAIT = 5
"""Bars within which the close beyond the fast average must come for a planted average entry."""

ROOM_AFTER = 8
"""Bars left after the last case."""

SPARE_STRETCHES = 2
"""Stretches beyond one for each case, since not every case has a moment in every stretch."""


@dataclass(frozen=True, slots=True)
class Planted:
    """A case put into a tape: its last bar, its direction (+1 long, −1 short) and what the check says of it."""

    case: Case
    sign: int
    end: int
    outcome: Outcome
    average_close: int = 0
    beyond_b: bool = False

    def moved(self, bars: int) -> Planted:
        """Give the same case by the bars of a longer tape."""
        return replace(self, end=self.end + bars)


def _moments(case: Case, begin: int, stop: int, opens_session: Flags) -> Ints:
    """List the bars of a stretch at which a case may end."""
    ends = np.arange(max(begin, FIRST_END), min(stop, len(opens_session) - ROOM_AFTER), dtype=np.int64)
    if case.where == "opening a session":
        return ends[opens_session[ends]]
    if case.where == "closing a session":
        return ends[opens_session[ends + 1]]
    return ends


def _candidates(case: Case, seen: Tape, state: State, ends: Ints, rng: Generator) -> Iterator[tuple[int, Outcome]]:
    """Try sketches at every one of ``ends`` and give those that meet or miss the rules as the case wants."""
    ends = np.tile(ends, DRAWS)
    draw = Draw(rng, len(ends))
    sketch = case.bend(fitting(seen, state, ends, draw), draw)
    threes = case.trim(set_in_steps(sketch, seen, ends))
    verdicts = check(state, ends, threes)
    misses = missed(verdicts)
    fits = misses == 0
    if case.misses in verdicts.rules:
        fits = (misses == 1) & ~verdicts.rules[case.misses]
    for which in rng.permutation(np.flatnonzero(fits)).tolist():
        end, three, judged = int(ends[which]), threes.one(which), verdicts.one(which)
        found = places(seen, end, three, float(judged.atr[0]))
        if bool(found.names) == (case.misses == "place"):
            continue
        yield (
            end,
            Outcome(three, judged, found, plan(three, judged), evidence(seen, end, three, judged, found)),
        )


def plant(
    case: Case, sign: int, tape: Tape, stretch: tuple[int, int], opens_session: Flags, rng: Generator
) -> Planted | None:
    """Plant a case in a stretch of bars, in one direction, if a moment for it can be found; the tape is changed."""
    seen = tape if sign > 0 else tape.mirrored()
    state = State.of(tape) if sign > 0 else State.of(tape).mirrored()
    ends = _moments(case, *stretch, opens_session)
    for end, outcome in _candidates(case, seen, state, ends, rng):
        if not case.wanted(outcome):
            continue
        planted = Planted(case, sign, end, outcome)
        if case.after == "average entry":
            waited, beyond = _average_close(seen, end, outcome)
            if not waited or beyond != case.beyond_b:
                continue
            planted = Planted(case, sign, end, outcome, waited, beyond)
        _put(planted, seen)
        if sign < 0:
            _copy(seen.mirrored(), tape)
        return planted
    return None


def _average_close(seen: Tape, end: int, outcome: Outcome) -> tuple[int, bool]:
    """Give how many bars later the first close above the fast average comes (0: too late), and if it beats B's high."""
    close_b, high_b = int(outcome.prices[B, CLOSE]), outcome.plan.break_ - 1
    shift = close_b - int(seen.close[end])
    before = seen.close[end - FAST + 1 : end - 2].tolist()
    closes = [*before, *outcome.prices[:, CLOSE].tolist()]
    for waited in range(1, MAX_WAIT + 1):
        closes = [*closes[1:], int(seen.close[end + waited]) + shift]
        if closes[-1] * FAST > sum(closes):
            return waited, closes[-1] > high_b
    return 0, False


def _copy(source: Tape, target: Tape) -> None:
    for name in ("open", "high", "low", "close", "volume"):
        getattr(target, name)[:] = getattr(source, name)


def _put(planted: Planted, seen: Tape) -> None:
    """Put the bars into the tape and let the rest follow."""
    end, outcome = planted.end, planted.outcome
    bars, after, next_bar = slice(end - 2, end + 1), slice(end + 1, None), end + 1
    shift = int(outcome.prices[B, CLOSE] - seen.close[end])
    atr = float(outcome.verdicts.atr[0])
    if planted.case.after == "gapped away":
        shift = int(outcome.plan.early + np.ceil(0.9 * atr) - seen.open[next_bar])
    elif planted.case.after == "gapped beyond the stop":
        shift = int(outcome.plan.stop - np.ceil(0.3 * atr) - seen.open[next_bar])
    for which, column in enumerate((seen.open, seen.high, seen.low, seen.close)):
        column[bars] = outcome.prices[:, which]
        column[after] += shift
    seen.volume[bars] = outcome.three.volume[0]
    if planted.case.after == "entry and stop in one bar":
        seen.high[next_bar] = max(int(seen.high[next_bar]), outcome.plan.break_ + 1)
        seen.low[next_bar] = min(int(seen.low[next_bar]), outcome.plan.stop - 1)


@dataclass(frozen=True, slots=True)
class Order:
    """A case to be planted in one direction."""

    case: Case
    sign: int


def plant_all(orders: list[Order], tape: Tape, begin: int, opens_session: Flags, rng: Generator) -> list[Planted]:
    """Plant cases one after the other in equal stretches of the tape from ``begin`` on; ValueError where one fails.

    An order for which a stretch has no moment waits for the next one.
    """
    waiting, done = list(orders), []
    stretches = np.linspace(begin, len(tape) - ROOM_AFTER, len(orders) + SPARE_STRETCHES + 1).astype(int).tolist()
    for first, last in pairwise(stretches):
        gap = min(WARM_UP, (last - first) // 3)
        for order in waiting:
            planted = plant(order.case, order.sign, tape, (first, last - gap), opens_session, rng)
            if planted is not None:
                done.append(planted)
                waiting.remove(order)
                break
    if waiting:
        names = ", ".join(f"{order.case.name} {order.sign:+d}" for order in waiting)
        raise ValueError(f"no moment was found for {names}; give the instrument another seed")
    return done
