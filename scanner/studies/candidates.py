"""Candidates: the bars at which a setup stands by the rules as they are, or with one thing changed."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import compress
from typing import TYPE_CHECKING, Any

import numpy as np

from scanner.analysis.compiling import specialised
from scanner.judgement import at_place, weigh, within_reach
from scanner.studies.variants import AS_IS, PLACE, REACH
from scanner.trade import surroundings

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from numpy.typing import NDArray

    from scanner.analysis.series import Around, Series
    from scanner.analysis.setup import Fit, Numbers, Spoiler
    from scanner.engine import SeriesEngine
    from scanner.judgement import Weighed
    from scanner.studies.variants import Changes

NONE, SEVERAL = -1, -2
"""Instead of the number of the rule that fails: none does, or more than one."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """A setup at a bar of the series' window: whether it stands by the rules as they are, and in which variants.

    ``replanned`` are variants by whose numbers it would stand too, but with another entry, stop or spoiler.
    """

    index: int
    found: Weighed
    stands: bool
    variants: tuple[int, ...]
    replanned: frozenset[int]


@specialised
def _near_misses(
    measure: Callable[..., bool],
    series: NDArray[np.float64],
    first: int,
    stop: int,
    sizes: tuple[int, int],
    numbers: Any,  # noqa: ANN401 - numba's records have no Python type
    found: NDArray[np.int64],
) -> int:
    """Measure every bar first…stop−1 in both directions, and write down those at which at most one rule fails.

    ``sizes`` are how many values ``measure`` gives and how many rules. ``found`` takes (bar, sign, rule that fails or
    NONE); gives how many there are.
    """
    values, rules = sizes
    measured, verdicts = np.empty(values), np.empty(rules, dtype=np.uint8)
    count = 0
    for t in range(first, stop):
        for side in range(2):
            sign = 1 - 2 * side
            measure(series, t, float(sign), numbers[0], measured, verdicts)
            failing, last = 0, NONE
            for rule in range(rules):
                if verdicts[rule] == 0:
                    failing += 1
                    last = rule
            if failing <= 1:
                found[count, 0], found[count, 1], found[count, 2] = t, sign, last
                count += 1
    return count


def find_candidates(engine: SeriesEngine, first: int, stop: int, changes: Changes) -> Iterator[Candidate]:
    """Find the candidates among the bars first…stop−1 of a series' window, all of which are warm, in order of bars."""
    hits = [
        (index, which, sign, failing, moved)
        for which in range(len(engine.rulebook.setups))
        for (index, sign), (failing, moved) in _hits(engine.series, which, first, stop, changes).items()
    ]
    spots = list({(index, sign) for index, _, sign, _, _ in hits})
    looked = dict(zip(spots, engine.series.look_at(spots), strict=True))
    for index, which, sign, failing, moved in sorted(hits, key=lambda hit: hit[:3]):
        around = looked[index, sign]
        needed = failing != NONE or not changes.without  # else it stands where its place is not asked for
        if needed and not at_place(engine.rulebook.setups[which].setup, around.places):
            continue
        fit = engine.series.measure(which, index, sign)
        chosen = _variants(engine, which, index, around, fit, failing, moved, changes)
        if not chosen:
            continue
        found = weigh(engine.series, engine.case_at(index), which, index, around, fit)
        stands = AS_IS in chosen
        chosen = _by_surroundings(engine, found, chosen, changes)
        if chosen or stands:
            replanned = _replanned(engine, which, fit, changes) if stands else frozenset()
            yield Candidate(index, found, stands, tuple(sorted(chosen)), replanned)


def _hits(
    series: Series, which: int, first: int, stop: int, changes: Changes
) -> dict[tuple[int, int], tuple[int, list[int]]]:
    """Give by bar and sign the number of the rule that fails, and the variants under whose numbers none does."""
    pool = series.pool
    setup, room = pool.setups[which].setup, np.empty((2 * (stop - first), 3), dtype=np.int64)
    marks, row = np.empty(stop - first, dtype=np.uint8), np.array([series.row])
    edges = np.array([first]), np.array([stop])
    hits: dict[tuple[int, int], tuple[int, list[int]]] = {}
    if changes.without:
        sizes = (len(setup.rules) + setup.extra, len(setup.rules))
        count = _near_misses(setup.measure, series.columns, first, stop, sizes, pool.numbers[which], room)
        hits = {(index, sign): (failing, []) for index, sign, failing in room[:count].tolist()}
    else:
        count = setup.find(pool.columns, row, *edges, pool.numbers[which], marks, room)
        hits = {(index, sign): (NONE, []) for _, index, sign in room[:count].tolist()}
    for variant, _, numbers in changes.numbers[which]:
        count = setup.find(pool.columns, row, *edges, numbers, marks, room)
        for _, index, sign in room[:count].tolist():
            hits.setdefault((index, sign), (SEVERAL, []))[1].append(variant)
    return hits


def _variants(
    engine: SeriesEngine,
    which: int,
    index: int,
    around: Around,
    fit: Fit,
    failing: int,
    moved: list[int],
    changes: Changes,
) -> set[int]:
    """Give the variants in which every rule holds, whatever the surroundings."""
    series, chosen = engine.series, engine.rulebook.setups[which]
    setup, holds = chosen.setup, failing == NONE
    place, base, reach = at_place(setup, around.places), 0.0, True
    strict = bool(setup.places) and engine.rulebook.rules.place_quality == "strict"
    if strict:
        base = setup.base(fit, chosen.numbers)[0]
        reach = within_reach(fit, around.places, base)
    found: set[int] = set()
    if place and reach:
        found.update(moved)
        if holds:
            found |= {AS_IS, *changes.elsewhere[which]}
            found.update(*(changes.off(which, rule) for rule in setup.rules))
        elif failing != SEVERAL:
            found |= changes.off(which, setup.rules[failing])
    if not holds or not setup.places:
        return found
    if reach:
        found |= changes.off(which, PLACE)
        if changes.places:
            again = series.look_again(index, around.sign, changes.rules_of_places)
            held = np.logical_or.reduce([again[kind] for kind in setup.places])
            found.update(compress(changes.places, held.tolist()))
    if strict and place:
        found |= changes.off(which, REACH)
        found.update(number for number, most in changes.reach if within_reach(fit, around.places, base, most))
    return found


def _by_surroundings(engine: SeriesEngine, found: Weighed, chosen: set[int], changes: Changes) -> set[int]:
    """Take out the variants that set it aside, and add those that change what is wanted around it.

    What a suspected bad tick touches is set aside in all of them.
    """
    if found.touched:
        return set()
    failing = {name for name, measure in found.surroundings.items() if not measure["verdict"]}
    aside = failing & set(engine.rulebook.surroundings.require)
    if AS_IS not in chosen:
        return set() if aside else chosen
    added = {number for name, number in changes.not_required.items() if aside <= {name}}
    if found.scene is None:
        raise AssertionError("only a warm series has candidates")
    for number, name, thresholds in changes.around:
        if aside <= {name} and surroundings.judge_one(name, found.scene, thresholds)["verdict"]:
            added.add(number)
    if aside:
        return added
    return chosen | added | {number for name, number in changes.required.items() if name not in failing}


def _replanned(engine: SeriesEngine, which: int, fit: Fit, changes: Changes) -> frozenset[int]:
    """Give the variants whose numbers change more than which bars are found: the entry, the stop or the spoiler."""
    chosen = engine.rulebook.setups[which]

    def planned(numbers: Numbers) -> tuple[float, float, Spoiler]:
        setup = chosen.setup
        return setup.trigger(fit, numbers)[0], setup.base(fit, numbers)[0], setup.spoiler(fit, numbers)

    as_is = planned(chosen.numbers)
    return frozenset(variant for variant, numbers, _ in changes.numbers[which] if planned(numbers) != as_is)
