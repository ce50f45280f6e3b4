"""Candidates: the bars at which a setup stands by the rules as they are, or with one thing changed."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import compress
from typing import TYPE_CHECKING, Any

import numpy as np

from scanner.analysis.columns import ATR
from scanner.analysis.door.setup import LEVELS
from scanner.analysis.fits import fits_at, levels_by
from scanner.analysis.places.around import AT_PLACE, WITHIN_REACH, is_within_reach
from scanner.compiling import specialised
from scanner.judgement import weigh
from scanner.studies.variants import AS_IS, PLACE, REACH
from scanner.trade import surroundings
from scanner.trade.around import FAILS

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from scanner.analysis.fits import Fits
    from scanner.analysis.series import Series
    from scanner.engine import SeriesEngine
    from scanner.judgement import Weighed
    from scanner.studies.variants import Changes

PLANNING = [number for number, name in enumerate(LEVELS.names or ()) if name != "base_is"]
"""The LEVELS that change more than texts, by number."""
NONE, SEVERAL = -1, -2
"""Instead of the number of the rule that fails: none does, or more than one."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """A setup at a bar: its row number among those weighed, whether the rules find it, and which variants do.

    ``index`` is the bar in the series' window, and ``sign`` its side.
    """

    number: int
    index: int
    sign: int
    stands: bool
    variants: tuple[int, ...]


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


def find_candidates(
    engine: SeriesEngine, first: int, stop: int, changes: Changes
) -> tuple[Weighed, list[Candidate], set[int]]:
    """Find the candidates among the bars first…stop−1 of a series' window, all of which are warm, in order of bars.

    Gives the weighed rows, the candidates, and the variants that find one of those standing, too, but with another
    entry, stop or spoiler.
    """
    found = [_hits(engine.series, which, first, stop, changes) for which in range(len(engine.rulebook.setups))]
    hits = [(which, np.array(list(own), dtype=np.int64)) for which, own in enumerate(found) if own]
    fits, about = (
        fits_at(engine.series, hits, every=bool(changes.without)),
        [each for own in found for each in own.values()],
    )
    chosen: dict[int, set[int]] = {}
    for row, (failing, moved) in enumerate(about):
        variants = _variants(fits, row, failing, moved, changes)
        if variants:
            chosen[row] = variants
    spots = fits.spots.tolist()
    rows = sorted(chosen, key=lambda row: (spots[row][0], fits.which[row], spots[row][1]))
    weighed = weigh(fits, engine.case(), np.array(rows, dtype=np.intp))
    standing = np.array([AS_IS in chosen.get(row, ()) for row in range(len(spots))], dtype=np.bool_)
    candidates = [
        Candidate(number, spots[row][0], spots[row][1], AS_IS in chosen[row], tuple(sorted(variants)))
        for number, (row, variants) in enumerate(
            zip(rows, _by_surroundings(weighed, [chosen[row] for row in rows], changes), strict=True)
        )
        if variants or AS_IS in chosen[row]
    ]
    return weighed, candidates, _replanned(fits, standing, changes)


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


def _variants(fits: Fits, row: int, failing: int, moved: list[int], changes: Changes) -> set[int]:
    """Give the variants in which every rule holds, whatever the surroundings."""
    which, setup, near = int(fits.which[row]), fits.chosen(row).setup, int(fits.found.near[row])
    place, reach, holds = near & AT_PLACE != 0, near & WITHIN_REACH != 0, failing == NONE
    found: set[int] = set()
    if place and reach:
        found.update(moved)
        if holds:
            found |= {AS_IS, *changes.elsewhere[which]}
            found.update(*(changes.off(which, rule) for rule in setup.rules))
        elif failing != SEVERAL:
            found |= changes.off(which, setup.rules[failing])
    if not holds or not setup.places or not changes.without:
        return found
    series, (index, sign) = fits.series, fits.spots[row].tolist()
    if reach:
        found |= changes.off(which, PLACE)
        if changes.places:
            again = series.look_again(index, sign, changes.rules_of_places)
            held = np.logical_or.reduce([again[kind] for kind in setup.places])
            found.update(compress(changes.places, held.tolist()))
    if place and series.pool.rules.place_quality == "strict":
        found |= changes.off(which, REACH)
        base, bottom = float(fits.levels["base"][row]), float(fits.found.places["bottom_price"][row])
        atr = float(series.columns[ATR, index])
        found.update(number for number, most in changes.reach if is_within_reach(float(sign), base, bottom, most, atr))
    return found


def _by_surroundings(weighed: Weighed, chosen: Sequence[set[int]], changes: Changes) -> list[set[int]]:
    """Take out the variants that set a row aside, and add those that change what is wanted around it.

    What a suspected bad tick touches is set aside in all of them.
    """
    looked, require = weighed.looked, set(weighed.case.rulebook.surroundings.require)
    failing = [
        {name for name, whole in zip(surroundings.NAMES, row, strict=True) if whole == FAILS}
        for row in looked.whole.tolist()
    ]
    moved = [
        (number, name, surroundings.judge(looked.scene, thresholds).fails(name).tolist())
        for number, name, thresholds in changes.around
    ]
    found: list[set[int]] = []
    for row, (variants, fails) in enumerate(zip(chosen, failing, strict=True)):
        aside = fails & require
        if weighed.touched[row] or (aside and AS_IS not in variants):
            found.append(set())
            continue
        if AS_IS not in variants:
            found.append(variants)
            continue
        added = {number for name, number in changes.not_required.items() if aside <= {name}}
        added |= {number for number, name, missed in moved if aside <= {name} and not missed[row]}
        if not aside:
            added |= variants | {number for name, number in changes.required.items() if name not in fails}
        found.append(added)
    return found


def _replanned(fits: Fits, standing: NDArray[np.bool_], changes: Changes) -> set[int]:
    """Give the variants whose numbers change more than which bars are found: the entry, the stop or the spoiler."""
    found: set[int] = set()
    for own, first in zip(fits.owns, fits.firsts, strict=True):
        rows = np.flatnonzero(standing[first : first + len(own.levels)])
        if not len(rows):
            continue
        which, spots, measured = int(fits.which[first]), fits.spots[first + rows], own.measured[rows]
        fit, as_is, chosen = fits.fit(first + int(rows[0])), _planning(own.levels[rows]), fits.chosen(first)
        for variant, other, numbers in changes.numbers[which]:
            if variant not in changes.respoken:
                spoilers = (chosen.setup.words(fit, each).spoiler for each in (chosen.numbers, other))
                changes.respoken[variant] = len(set(spoilers)) > 1
            levels = levels_by(fits.series, which, spots, measured, numbers)
            if changes.respoken[variant] or not np.array_equal(as_is, _planning(levels)):
                found.add(variant)
    return found


def _planning(levels: NDArray[Any]) -> NDArray[np.int64]:
    """Give the levels by which a setup is entered, stopped and spoiled, bit by bit, so that NaN is like NaN."""
    return np.ascontiguousarray(levels).view(np.int64).reshape(len(levels), -1)[:, PLANNING]
