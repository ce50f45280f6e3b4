"""The judgement of setups, by places, evidence, levels and surroundings: many as numbers, or one in words."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from math import isnan
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from scanner.analysis.columns import CLOSE
from scanner.analysis.door import evidence
from scanner.analysis.numbers import number as number_of
from scanner.analysis.places import words as places
from scanner.analysis.places.around import AT_PLACE, WITHIN_REACH
from scanner.analysis.places.touched import touched
from scanner.events import setup_id
from scanner.trade import levels, plan, surroundings
from scanner.trade.levels import OBSTACLE, PRICE, RISK
from scanner.trade.size import size_warnings

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from scanner.analysis.door.setup import Fit, Setup
    from scanner.analysis.fits import Fits
    from scanner.event_data import Direction, Measure, Place, PlaceFound
    from scanner.market.instruments import Instrument
    from scanner.market.sessions.dates import Dated
    from scanner.market.sessions.timetables import Timetable
    from scanner.trade.levels import Grid
    from scanner.trade.rulebook import Rulebook
    from scanner.trade.size import Account

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]


class Case(NamedTuple):
    """What the judgement of a series needs besides its own bars.

    ``coarser`` names the next coarser timeframe followed, empty if there is none. ``lean_at`` gives the lean of its
    last bar that closed by a moment: +1 up, −1 down, 0 mixed, None if unknown. ``dates`` are those that concern the
    instrument, None if no dates are known, and ``grid`` has its price steps.
    """

    rulebook: Rulebook
    instrument: Instrument
    timetable: Timetable
    account: Account
    coarser: str
    lean_at: Callable[[int], float | None]
    dates: Sequence[Dated] | None
    grid: Grid


@dataclass(frozen=True, slots=True)
class Weighed:
    """Some hits in warm series as numbers: all that followers and studies need.

    ``of`` has the number of each row's case among ``cases``. ``planned`` (rows × ``levels.COLUMNS``) are the levels in
    units of price, and ``looked`` the surroundings. ``touched`` says how a suspected bad tick affects each, empty if
    none does; ``set_aside`` are those that a bad tick affects or that fail a required surrounding.
    """

    fits: Fits
    cases: Sequence[Case]
    of: Integers
    rows: NDArray[np.intp]
    planned: Floats
    looked: surroundings.Looked
    touched: list[str]
    set_aside: NDArray[np.bool_]

    @property
    def units(self) -> Floats:
        """The units of price in a point, for each row."""
        return levels.together(tuple(case.grid for case in self.cases))[1][self.of]

    def case(self, number: int) -> Case:
        """Give the case of a row."""
        return self.cases[int(self.of[number])]

    def threads(self, numbers: NDArray[np.int64]) -> list[str]:
        """Give the ids of some rows, which are those of their events."""
        fits, setups, rows = self.fits, self.fits.pool.setups, self.rows[numbers]
        line, index, sign = fits.spots[rows].T
        of, which, closes = self.of[numbers], fits.which[rows], fits.pool.times[line, 1, index]
        series = [(each.instrument.symbol, each.timetable.timeframe.name) for each in self.cases]
        return [
            setup_id(
                series[number][0], series[number][1], setups[chosen].setup.name, "long" if side > 0 else "short", close
            )
            for number, chosen, side, close in zip(*(each.tolist() for each in (of, which, sign, closes)), strict=True)
        ]

    def why_set_aside(self, number: int) -> str:
        """Say in a clause why a row is set aside; empty if it is not."""
        if not self.set_aside[number]:
            return ""
        return ", and ".join(filter(None, (self.touched[number], self.looked.why_set_aside(number))))

    def price(self, number: int, level: int) -> Decimal | None:
        """Give a level of a row as an exact decimal; None if there is none."""
        units = float(self.planned[number, level])
        return None if isnan(units) else self.case(number).grid.price(units)


class Judgement(NamedTuple):
    """Everything about a setup at one bar in one direction, whether or not it qualifies.

    ``rules`` includes the rules ``place`` and ``reach`` where the setup needs a place, and ``evidence`` the places.
    ``place`` is the safest that holds, None if none does. ``set_aside`` says how a suspected bad tick affects it and
    which required surroundings fail. ``spoiled_by`` says what else than a close beyond the stop or a cross back of the
    MACD line proves it wrong before its entry, and ``spoiled_after`` is the number of bars without an entry that spoil
    it. ``warnings`` name the dangers. There is no ``plan``, and no surroundings, before the series is warm.
    """

    setup: Setup[Any]
    direction: Direction
    bar_open: int
    bar_close: int
    close: Decimal
    rules: dict[str, Measure]
    places: dict[str, PlaceFound]
    place: Place | None
    evidence: dict[str, Measure]
    evidence_points: int
    evidence_total: int
    surroundings: dict[str, Measure]
    set_aside: str
    spoiled_by: str
    spoiled_after: int | None
    plan: plan.Plan | None
    warnings: list[str]

    @property
    def holds(self) -> bool:
        """Whether every rule holds."""
        return all(rule["verdict"] for rule in self.rules.values())


def weigh(fits: Fits, cases: Sequence[Case], of: Integers, rows: NDArray[np.intp]) -> Weighed:
    """Weigh some rows of the hits in warm series; ``of`` has the number of each row's case among ``cases``."""
    pool, found, spots = fits.pool, fits.found, fits.spots[rows]
    planned, grids = np.empty((len(rows), levels.COLUMNS)), levels.together(tuple(case.grid for case in cases))
    ahead = fits.levels[rows], found.prices[rows], found.counts[rows]
    levels.plan(pool.columns, spots, of, *ahead, pool.rules.record, grids, planned)
    style = plan.STYLES.index(pool.rules.entry_style)
    bars = np.array([len(each.setup.bars) for each in pool.setups], dtype=np.int64)
    scene = surroundings.Scene(
        columns=pool.columns,
        deep=pool.deep,
        times=pool.times,
        begins=pool.begins(spots[:, 0]),
        spots=spots,
        of=of,
        bars=bars[fits.which[rows]],
        ways=planned.take([PRICE + style, RISK + style, OBSTACLE + style], axis=1),
        leans=_leans(cases, of, spots, pool.times),
        cases=cases,
        rules=pool.rules,
        timetable=pool.timetable,
    )
    ticks, aside = [""] * len(rows), np.zeros(len(rows), dtype=np.bool_)
    if pool.spikes:
        about = zip(rows.tolist(), spots[:, :2].tolist(), strict=True)
        ticks = [touched(pool, row, t, found.places[fit], fits.chosen(fit).setup) for fit, (row, t) in about]
        aside[:] = [bool(text) for text in ticks]
    wanted = cases[0].rulebook.surroundings if cases else surroundings.Surroundings()
    looked = surroundings.judge(scene, wanted)
    for name in wanted.require:
        aside |= looked.fails(name)
    return Weighed(fits, cases, of, rows, planned, looked, ticks, aside)


def _leans(cases: Sequence[Case], of: Integers, spots: Integers, times: Integers) -> Floats:
    """Give the lean of the next coarser timeframe at each spot, NaN if unknown."""
    leans = np.full(len(spots), np.nan)
    for k in np.flatnonzero(np.array([bool(each.coarser) for each in cases], dtype=np.bool_)[of]).tolist():
        row, t, _ = spots[k].tolist()
        lean = cases[of[k]].lean_at(int(times[row, 1, t]))
        leans[k] = np.nan if lean is None else lean
    return leans


def judge(fits: Fits, row: int, case: Case, weighed: Weighed | None, number: int = 0) -> Judgement:
    """Put a row into words. It is row ``number`` of ``weighed``, which is None before the series is warm."""
    chosen, fit = fits.chosen(row), fits.fit(row)
    setup, sign = chosen.setup, fit.sign
    words, around = setup.words(fit, chosen.numbers), fits.found.around(row)
    rules: dict[str, Measure] = {
        name: {"measured": number_of(value), "threshold": threshold, "verdict": bool(verdict), "text": text}
        for name, value, verdict, (threshold, text) in zip(
            setup.rules,
            fit.measured[: len(setup.rules)].tolist(),
            fit.verdicts.tolist(),
            words.rules,
            strict=True,
        )
    }
    told = places.describe(around.places, fit.rules, sign, fit.atr, case.instrument.steps.nearest)
    if setup.places:
        rules |= _place_rules(fits, row, fit, told)
    made, warnings, around_it, aside = None, [], {}, ""
    if weighed is not None:
        close, base = float(fit.series[CLOSE, fit.t]), float(fit.levels["base"])
        texts = (words.trigger, words.base, around.obstacles)
        facts = plan.Facts(sign, close, base, fit.atr, weighed.planned[number].tolist(), *texts)
        halves = case.rulebook.follow.halves
        made = plan.make(facts, fit.rules, case.instrument, case.account, halves=halves)
        warnings = _warnings(weighed, number, made)
        around_it, aside = weighed.looked.told(number), weighed.why_set_aside(number)
    bar_open, bar_close = fits.pool.times[fits.spots[row, 0], :, fit.t].tolist()
    return Judgement(
        setup=setup,
        direction="long" if sign > 0 else "short",
        bar_open=bar_open,
        bar_close=bar_close,
        close=Decimal(repr(float(fit.series[CLOSE, fit.t]))),
        rules=rules,
        places=told,
        place=places.safest(told),
        evidence=_evidence(told, evidence.told(setup.points, fit.points, fit.held, words.points)),
        evidence_points=int(fits.counted[row]),
        evidence_total=int(fits.total[row]),
        surroundings=around_it,
        set_aside=aside,
        spoiled_by=words.spoiler,
        spoiled_after=int(fit.levels["bars"]) or None,
        plan=made,
        warnings=warnings,
    )


def places_of(found: NDArray[Any], none: Place | str | None = None) -> list[Any]:
    """Give the safest place that holds in each PLACES record, or ``none``."""
    held, names = np.ones((len(found), len(places.PLACE_NAMES) + 1), dtype=np.bool_), (*places.PLACE_NAMES, none)
    for number, name in enumerate(places.PLACE_NAMES):
        held[:, number] = found[name]
    return [names[which] for which in held.argmax(axis=1).tolist()]


def _warnings(weighed: Weighed, number: int, made: plan.Plan) -> list[str]:
    """Name the dangers of the entry that is followed, and of its size."""
    case = weighed.case(number)
    chosen = made.entries[made.style]
    entry, risk, size = chosen["price"], chosen["risk"], chosen["size"]
    if entry is None or risk is None:
        return []
    amount = None if size is None else Decimal(size)
    turnover = weighed.looked.daily_turnover(number) if amount else None
    return size_warnings(case.account, case.instrument, Decimal(entry), Decimal(risk), amount, turnover)


def _place_rules(fits: Fits, row: int, fit: Fit, found: dict[str, PlaceFound]) -> dict[str, Measure]:
    """Give the extra rules of a setup that needs a place: that there is one, and that it is still near."""
    setup, near = fits.chosen(row).setup, int(fits.found.near[row])
    holding = sum(found[kind]["verdict"] for kind in setup.places)
    all_kinds = len(setup.places) == len(found)
    rules: dict[str, Measure] = {
        "place": {
            "measured": float(holding),
            "threshold": ">= 1",
            "verdict": bool(near & AT_PLACE),
            "text": "places that hold" + ("" if all_kinds else f" among {' and '.join(setup.places)}"),
        }
    }
    if fit.rules.place_quality == "strict":
        away = fit.sign * float(fit.levels["base"] - fits.found.places[row]["bottom_price"])
        rules["reach"] = {
            "measured": number_of(away / fit.atr) if fit.atr else None,
            "threshold": f"<= {fit.rules.place_reach:g}",
            "verdict": bool(near & WITHIN_REACH),
            "text": f"how far the stop's base lies from the pullback's {fit.word('low', 'high')} in ATR",
        }
    return rules


def _evidence(found: dict[str, PlaceFound], own: dict[str, Measure]) -> dict[str, Measure]:
    """Add the places to the points of evidence; a point without a threshold could not be judged."""
    points: dict[str, Measure] = {
        f"place_{name}": {
            "measured": place["measured"],
            "threshold": place["threshold"],
            "verdict": place["verdict"],
            "text": f"the place is {name}: {place['text']}",
        }
        for name, place in found.items()
    }
    return points | own
