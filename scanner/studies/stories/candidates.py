"""Candidates: bars with a setup by the rules as they are, or with one thing changed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from scanner.analysis.columns import ATR
from scanner.analysis.door.setup import LEVELS
from scanner.analysis.fits import fits_at, levels_by
from scanner.analysis.places.around import AT_PLACE, WITHIN_REACH, is_within_reach
from scanner.analysis.places.surrounded import look_again
from scanner.compiling import specialised
from scanner.judgement import weigh
from scanner.studies.stories.variants import AS_IS, PLACE, REACH
from scanner.trade import surroundings
from scanner.trade.around import FAILS
from scanner.trade.surroundings import NUMBERS

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from scanner.analysis.fits import Fits
    from scanner.analysis.pool import Pool, Stop
    from scanner.judgement import Case, Weighed
    from scanner.studies.stories.variants import Changes
    from scanner.trade.surroundings import Surrounding

    Integers = NDArray[np.int64]
    Marks = NDArray[np.bool_]

PLANNING = [number for number, name in enumerate(LEVELS.names or ()) if name != "base_is"]
"""The LEVELS that are more than texts, by number."""
NONE, SEVERAL = -1, -2
"""In place of the number of the failing rule: no rule fails, or more than one."""


@dataclass(frozen=True, slots=True)
class Candidates:
    """Bars with a setup by the rules as they are or with one thing changed, in order of series and bars.

    ``weighed`` has a row for each; the cases are numbered as the series of the stop. ``stands`` says whether it is a
    setup by the rules as they are, and ``variants`` (rows × variants) which variants count it; there may be none.
    ``replanned`` (series × variants) are variants that find a setup of the rules as they are, but with another entry,
    stop or spoiler.
    """

    weighed: Weighed
    stands: Marks
    variants: Marks
    replanned: Marks


@specialised
def _near_misses(
    measure: Callable[..., bool],
    columns: NDArray[np.float64],
    rows: Integers,
    first: Integers,
    end: Integers,
    sizes: tuple[int, int],
    numbers: Any,  # noqa: ANN401 - numba's records have no Python type
    found: Integers,
) -> int:
    """Measure every bar first[k]…end[k]−1 of the series rows[k] on both sides; record those that miss at most one rule.

    ``sizes`` are how many values ``measure`` gives and how many rules. ``found`` takes (row, bar, sign, rule that fails
    or NONE); gives how many there are.
    """
    values, rules = sizes
    measured, verdicts = np.empty(values), np.empty(rules, dtype=np.uint8)
    count = 0
    for k in range(len(rows)):
        series = columns[rows[k]]
        for t in range(first[k], end[k]):
            for side in range(2):
                sign = 1 - 2 * side
                measure(series, t, float(sign), numbers[0], measured, verdicts)
                failing, last = 0, NONE
                for rule in range(rules):
                    if verdicts[rule] == 0:
                        failing += 1
                        last = rule
                if failing <= 1:
                    found[count, 0], found[count, 1], found[count, 2], found[count, 3] = rows[k], t, sign, last
                    count += 1
    return count


def find_candidates(pool: Pool, stop: Stop, cases: Sequence[Case], changes: Changes) -> Candidates:
    """Find the candidates among the bars of a stop; ``cases`` are those of its series."""
    places = np.zeros(len(pool.used), dtype=np.int64)
    places[stop.rows] = np.arange(len(stop.rows))
    replanned = np.zeros((len(cases), len(changes.variants)), dtype=np.bool_)
    if not changes.without:
        fits = fits_at(pool, stop.setups)
        rows = _in_order(fits, fits.standing)
        weighed = weigh(fits, cases, places[fits.spots[rows, 0]], rows)
        return Candidates(weighed, np.ones(len(rows), dtype=np.bool_), ~weighed.set_aside[:, None], replanned)
    found = [_hits(pool, which, stop, changes) for which in range(len(pool.setups))]
    failing = np.concatenate([each for _, each, _ in found])
    fits = fits_at(pool, [(which, spots) for which, (spots, _, _) in enumerate(found)], failing == NONE)
    variants = _variants(fits, failing, np.concatenate([moved for _, _, moved in found]), changes)
    rows = _in_order(fits, np.flatnonzero(variants.any(axis=1)))
    weighed = weigh(fits, cases, places[fits.spots[rows, 0]], rows)
    stands = variants[:, AS_IS].copy()
    _replan(fits, stands, places, changes, replanned)
    return Candidates(weighed, stands[rows], _by_surroundings(weighed, variants[rows], changes), replanned)


def _in_order(fits: Fits, rows: NDArray[np.intp]) -> NDArray[np.intp]:
    """Sort rows by series, bar, setup and side."""
    row, index, sign = fits.spots[rows].T
    return rows[np.lexsort((sign, fits.which[rows], index, row))]


def _hits(pool: Pool, which: int, stop: Stop, changes: Changes) -> tuple[Integers, Integers, Marks]:
    """Give the spots at which a setup's own rules hold but for one, or hold under the numbers of a variant.

    With each come the number of the rule that fails, and the variants under whose numbers none does.
    """
    setup, bars = pool.setups[which].setup, int((stop.end - stop.first).sum())
    room, marks = np.empty((2 * bars, 4), dtype=np.int64), np.empty(pool.room, dtype=np.uint8)
    where, sizes = (pool.columns, stop.rows, stop.first, stop.end), (len(setup.rules) + setup.extra, len(setup.rules))
    near = room[: _near_misses(setup.measure, *where, sizes, pool.numbers[which], room)]
    moved, found = np.empty((2 * bars, 3), dtype=np.int64), [near[:, :3]]
    for _, _, numbers in changes.numbers[which]:
        found.append(moved[: setup.find(*where, numbers, marks, moved)].copy())
    spots = np.concatenate(found)
    keys = 2 * (spots[:, 0] * pool.columns.shape[2] + spots[:, 1]) + (spots[:, 2] > 0)
    _, once, place = np.unique(keys, return_index=True, return_inverse=True)
    spots, failing = spots[once], np.full(len(once), SEVERAL)
    failing[place[: len(near)]] = near[:, 3]
    holds, edges = np.zeros((len(spots), len(changes.variants)), dtype=np.bool_), np.cumsum([len(own) for own in found])
    for (variant, _, _), begin, end in zip(changes.numbers[which], edges, edges[1:], strict=False):
        holds[place[begin:end], variant] = True
    return spots, failing, holds


def _variants(fits: Fits, failing: Integers, found: Marks, changes: Changes) -> Marks:
    """Add to ``found`` the variants in which every rule holds, whatever the surroundings."""
    near, base, strict = fits.found.near, fits.levels["base"], fits.pool.rules.place_quality == "strict"
    place, reach, holds = near & AT_PLACE != 0, near & WITHIN_REACH != 0, failing == NONE
    stands = place & reach
    found &= stands[:, None]
    found[stands & holds, AS_IS] = True
    for which, chosen in enumerate(fits.pool.setups):
        own, setup = fits.which == which, chosen.setup
        rows = np.flatnonzero(own & stands & holds)
        found[rows[:, None], list(changes.elsewhere[which])] = True
        for number, rule in enumerate(setup.rules):
            found[own & stands & (holds | (failing == number)), changes.without[which, rule]] = True
        if not setup.places:
            continue
        found[own & holds & reach, changes.without[which, PLACE]] = True
        rows = np.flatnonzero(own & holds & reach)
        again = look_again(fits.pool, fits.spots[rows], changes.rules_of_places)
        found[rows[:, None], changes.places] |= np.logical_or.reduce([again[kind] for kind in setup.places])
        if strict:
            rows = np.flatnonzero(own & holds & place)
            found[rows, changes.without[which, REACH]] = True
            line, index, sign = fits.spots[rows].T
            about = sign, base[rows], fits.found.places["bottom_price"][rows], fits.pool.columns[line, ATR, index]
            for number, most in changes.reach:
                found[rows, number] = [
                    is_within_reach(float(side), of, bottom, most, atr)
                    for side, of, bottom, atr in zip(*(each.tolist() for each in about), strict=True)
                ]
    return found


def _by_surroundings(weighed: Weighed, variants: Marks, changes: Changes) -> Marks:
    """Take out the variants that set a row aside, and add those that change what is wanted around it.

    A row that a suspected bad tick affects is set aside in all variants.
    """
    looked, wanted = weighed.looked, weighed.looked.wanted
    fails = looked.whole == FAILS
    aside = fails & np.isin(np.arange(fails.shape[1]), [NUMBERS[name] for name in wanted.require])
    failing, as_is = aside.sum(axis=1), variants[:, AS_IS].copy()
    variants &= (failing == 0)[:, None]

    def only(name: Surrounding) -> Marks:
        """Say which rows of the rules as they are fail at most this of the required surroundings."""
        return np.asarray(as_is & (failing == aside[:, NUMBERS[name]]))

    for name, number in changes.required.items():
        variants[:, number] = as_is & (failing == 0) & ~fails[:, NUMBERS[name]]
    for name, number in changes.not_required.items():
        variants[:, number] = only(name)
    those = np.flatnonzero(as_is)
    scene = looked.scene.some(those)
    for number, name, thresholds in changes.around:
        variants[those, number] = only(name)[those] & ~surroundings.judge(scene, thresholds).fails(name)
    variants[[bool(text) for text in weighed.touched]] = False
    return variants


def _replan(fits: Fits, standing: Marks, places: Integers, changes: Changes, replanned: Marks) -> None:
    """Mark the variants whose settings change not only which bars are found but also an entry, stop or spoiler."""
    for own, first in zip(fits.owns, fits.firsts, strict=True):
        rows = np.flatnonzero(standing[first : first + len(own.levels)])
        if not len(rows):
            continue
        which, spots, measured = int(fits.which[first]), fits.spots[first + rows], own.measured[rows]
        fit, as_is, chosen = fits.fit(first + int(rows[0])), _planning(own.levels[rows]), fits.chosen(first)
        of = places[spots[:, 0]]
        for variant, other, numbers in changes.numbers[which]:
            if variant not in changes.respoken:
                spoilers = (chosen.setup.words(fit, each).spoiler for each in (chosen.numbers, other))
                changes.respoken[variant] = len(set(spoilers)) > 1
            planned = _planning(levels_by(fits.pool, which, spots, measured, numbers))
            replanned[of[changes.respoken[variant] | (planned != as_is).any(axis=1)], variant] = True


def _planning(levels: NDArray[Any]) -> Integers:
    """Give the bits of the levels by which a setup is entered, stopped and spoiled, so that NaN equals NaN."""
    return np.ascontiguousarray(levels).view(np.int64).reshape(len(levels), -1)[:, PLANNING]
