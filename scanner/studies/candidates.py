"""Candidates: bars with a setup by the rules as they are, or with one thing changed."""

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
"""The LEVELS that are more than texts, by number."""
NONE, SEVERAL = -1, -2
"""In place of the number of the failing rule: no rule fails, or more than one."""


@dataclass(frozen=True, slots=True)
class Candidates:
    """Bars with a setup by the rules as they are or with one thing changed, in order of bars.

    ``weighed`` has a row for each. ``stands`` says whether it is a setup by the rules as they are, and ``variants``
    which variants count it; there may be none. ``replanned`` are variants that find a setup of the rules as they are,
    but with another entry, stop or spoiler.
    """

    weighed: Weighed
    stands: NDArray[np.bool_]
    variants: list[tuple[int, ...]]
    replanned: set[int]


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
    """Measure every bar first…stop−1 in both directions, and record those at which at most one rule fails.

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


def find_candidates(engine: SeriesEngine, first: int, stop: int, changes: Changes) -> Candidates:
    """Find the candidates among the bars first…stop−1 of a series' window, all of which are warm."""
    series, setups = engine.series, range(len(engine.rulebook.setups))
    if not changes.without:
        as_is = [(which, _found(series, which, first, stop, series.pool.numbers[which])) for which in setups]
        fits = fits_at(series, [each for each in as_is if len(each[1])])
        weighed = weigh(fits, engine.case(), _in_order(fits, fits.standing))
        own: list[tuple[int, ...]] = [() if aside else (AS_IS,) for aside in weighed.set_aside.tolist()]
        return Candidates(weighed, np.ones(len(own), dtype=np.bool_), own, set())
    found = [_hits(series, which, first, stop, changes) for which in setups]
    hits = [(which, np.array(list(own), dtype=np.int64)) for which, own in enumerate(found) if own]
    fits = fits_at(series, hits, every=True)
    about = [each for own in found for each in own.values()]
    all_of_them = [_variants(fits, row, *each, changes) for row, each in enumerate(about)]
    standing = np.array([AS_IS in each for each in all_of_them], dtype=np.bool_)
    rows = _in_order(fits, np.flatnonzero([bool(each) for each in all_of_them]))
    weighed = weigh(fits, engine.case(), rows)
    variants = _by_surroundings(weighed, [all_of_them[row] for row in rows.tolist()], changes)
    counted = [tuple(sorted(each)) for each in variants]
    return Candidates(weighed, standing[rows], counted, _replanned(fits, standing, changes))


def _in_order(fits: Fits, rows: NDArray[np.intp]) -> NDArray[np.intp]:
    """Sort rows by bar, setup and side."""
    index, sign = fits.spots[rows].T
    return rows[np.lexsort((sign, fits.which[rows], index))]


def _found(series: Series, which: int, first: int, stop: int, numbers: NDArray[Any]) -> NDArray[np.int64]:
    """Give bars and signs at which a setup's own rules hold with some numbers."""
    room, marks = np.empty((2 * (stop - first), 3), dtype=np.int64), np.empty(stop - first, dtype=np.uint8)
    where = series.pool.columns, np.array([series.row]), np.array([first]), np.array([stop])
    count = series.pool.setups[which].setup.find(*where, numbers, marks, room)
    return room[:count, 1:]


def _hits(
    series: Series, which: int, first: int, stop: int, changes: Changes
) -> dict[tuple[int, int], tuple[int, list[int]]]:
    """Give by bar and sign the number of the rule that fails, and the variants under whose numbers none does."""
    setup, room = series.pool.setups[which].setup, np.empty((2 * (stop - first), 3), dtype=np.int64)
    sizes = (len(setup.rules) + setup.extra, len(setup.rules))
    count = _near_misses(setup.measure, series.columns, first, stop, sizes, series.pool.numbers[which], room)
    hits: dict[tuple[int, int], tuple[int, list[int]]]
    hits = {(index, sign): (failing, []) for index, sign, failing in room[:count].tolist()}
    for variant, _, numbers in changes.numbers[which]:
        for index, sign in _found(series, which, first, stop, numbers).tolist():
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
    if not holds or not setup.places:
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

    A row that a suspected bad tick affects is set aside in all variants.
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
    """Give the variants whose settings change not only which bars are found but also an entry, stop or spoiler."""
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
    """Give the bits of the levels by which a setup is entered, stopped and spoiled, so that NaN equals NaN."""
    return np.ascontiguousarray(levels).view(np.int64).reshape(len(levels), -1)[:, PLANNING]
