"""The judgement of one bar: the rules, places, evidence, plan and surroundings of a setup in one direction."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from scanner.analysis.columns import FAST_AVERAGE, SLOW_AVERAGE
from scanner.analysis.numbers import number
from scanner.analysis.places import words as places
from scanner.analysis.places.touched import touched
from scanner.analysis.rules import TIE
from scanner.trade import plan, surroundings
from scanner.trade.size import size_warnings

if TYPE_CHECKING:
    from collections.abc import Sequence

    from scanner.analysis.series import Around, Series
    from scanner.analysis.setup import Fit, Setup, Spoiler
    from scanner.event_data import Direction, Measure, Place, PlaceFound
    from scanner.market.dates import Dated
    from scanner.market.instruments import Instrument
    from scanner.market.sessions import Timetable
    from scanner.trade.rulebook import Rulebook
    from scanner.trade.size import Account


@dataclass(frozen=True, slots=True)
class Case:
    """What a series is judged by besides its own bars.

    ``coarser`` names the next coarser timeframe that is followed, empty where there is none, and ``lean`` is how its
    last bar leans that is complete by then; see ``surroundings.Scene``.
    """

    rulebook: Rulebook
    instrument: Instrument
    timetable: Timetable
    account: Account
    coarser: str
    lean: float | None
    dates: Sequence[Dated] | None


@dataclass(frozen=True, slots=True)
class Weighed:
    """What was found at one bar in one direction, whether or not it qualifies: all that following and studying need.

    ``base`` is what the stop stands behind, with the words for it, ``points`` are the setup's own points of evidence,
    and those counted include the places. ``place`` is the safest that holds, None where none does. ``facts``, ``stop``,
    the ``way`` in that is followed, ``scene`` and ``surroundings`` are not there before the series is warm.
    ``touched`` says how a suspected bad tick touches it, empty where none does; ``set_aside`` says that and which of
    the required surroundings fail. ``line`` is the trend line, where it is one of the places that hold: its price at
    the bar, and its rise a bar.
    """

    setup: Setup[Any]
    direction: Direction
    bar_open: int
    bar_close: int
    base: tuple[float, str]
    points: dict[str, Measure]
    evidence_points: int
    evidence_total: int
    place: Place | None
    facts: plan.Facts | None
    stop: Decimal | None
    way: plan.Way | None
    scene: surroundings.Scene | None
    surroundings: dict[str, Measure]
    touched: str
    set_aside: str
    spoiler: Spoiler
    line: tuple[float, float] | None


@dataclass(frozen=True, slots=True)
class Judgement(Weighed):
    """The same with all that is told of it.

    ``rules`` includes the rules ``place`` and ``reach`` where the setup needs a place, and ``evidence`` the places.
    ``warnings`` say what is likely to hurt. There is no ``plan`` before the series is warm.
    """

    close: Decimal
    rules: dict[str, Measure]
    places: dict[str, PlaceFound]
    evidence: dict[str, Measure]
    plan: plan.Plan | None
    warnings: list[str]

    @property
    def holds(self) -> bool:
        """Whether every rule holds."""
        return all(rule["verdict"] for rule in self.rules.values())


def weigh(series: Series, case: Case, which: int, index: int, around: Around, fit: Fit) -> Weighed:
    """Weigh a chosen setup, as it was measured at a bar, in the direction in which it was looked ``around``."""
    chosen, found = series.pool.setups[which], around.places
    setup, numbers = chosen.setup, chosen.numbers
    base, points = setup.base(fit, numbers), setup.evidence(fit, numbers)
    held = [name for name in places.PLACE_NAMES if found[name]]
    facts = stop = way = scene = None
    measures, bad_tick, set_aside = {}, "", ""
    if series.warm:
        facts = _facts(setup, numbers, fit, around, base)
        stop = plan.stop_of(facts, fit.rules, case.instrument)
        way = plan.way(facts, fit.rules.entry_style, stop, case.instrument)
        scene, wanted = _scene(series, case, setup, fit, way), case.rulebook.surroundings
        measures = surroundings.judge(scene, wanted)
        bad_tick = touched(series, index, around, setup)
        set_aside = ", and ".join(filter(None, (bad_tick, surroundings.why_set_aside(measures, wanted.require))))
    return Weighed(
        setup=setup,
        direction="long" if fit.sign > 0 else "short",
        bar_open=int(series.times[0, index]),
        bar_close=int(series.times[1, index]),
        base=base,
        points=points,
        evidence_points=len(held) + sum(point["verdict"] for point in points.values()),
        evidence_total=len(places.PLACE_NAMES) + sum(bool(point["threshold"]) for point in points.values()),
        place=held[0] if held else None,
        facts=facts,
        stop=stop,
        way=way,
        scene=scene,
        surroundings=measures,
        touched=bad_tick,
        set_aside=set_aside,
        spoiler=setup.spoiler(fit, numbers),
        line=_line(around),
    )


def judge(series: Series, case: Case, which: int, index: int, around: Around) -> Judgement:
    """Judge a chosen setup at a bar, in the direction in which it was looked ``around``.

    The series must have all bars that the setup looks back at.
    """
    chosen, sign = series.pool.setups[which], around.sign
    setup, numbers, fit = chosen.setup, chosen.numbers, series.measure(which, index, sign)
    weighed = weigh(series, case, which, index, around, fit)
    rules: dict[str, Measure] = {
        name: {"measured": number(value), "threshold": threshold, "verdict": bool(verdict), "text": text}
        for name, value, verdict, (threshold, text) in zip(
            setup.rules,
            fit.measured[: len(setup.rules)].tolist(),
            fit.verdicts.tolist(),
            setup.words(fit, numbers),
            strict=True,
        )
    }
    found = places.describe(around.places, fit.rules, sign, fit.atr, case.instrument.steps.nearest)
    if setup.places:
        rules |= _place_rules(setup, fit, around, found, weighed.base[0])
    made, warnings = None, []
    if weighed.facts is not None and weighed.scene is not None:
        made = plan.make(weighed.facts, fit.rules, case.instrument, case.account)
        warnings = _warnings(weighed.scene, made, case)
    return Judgement(
        **{name: getattr(weighed, name) for name in Weighed.__slots__},
        close=_decimal(fit.close()),
        rules=rules,
        places=found,
        evidence=_evidence(found, weighed.points),
        plan=made,
        warnings=warnings,
    )


def may_stand(series: Series, which: int, index: int, around: Around) -> bool:
    """Whether a chosen setup that fits at a bar has a place such as it needs, near enough: most have none."""
    chosen = series.pool.setups[which]
    if not at_place(chosen.setup, around.places):
        return False
    if not chosen.setup.places or series.pool.rules.place_quality != "strict":
        return True
    fit = series.measure(which, index, around.sign)
    return within_reach(fit, around.places, chosen.setup.base(fit, chosen.numbers)[0])


def at_place(setup: Setup[Any], places: Any) -> bool:  # noqa: ANN401 - a PLACES record has no Python type
    """Whether one of the places that a setup needs is among those found (a PLACES record), or it needs none."""
    return not setup.places or any(places[kind] for kind in setup.places)


def within_reach(fit: Fit, places: Any, base: float, reach: float | None = None) -> bool:  # noqa: ANN401 - as above
    """Whether the base of a setup's stop lies within reach of the pullback's end; ``reach`` is in ATR."""
    most = fit.rules.place_reach if reach is None else reach
    return _away(fit, places, base) <= most * fit.atr + TIE * abs(base)


def _line(around: Around) -> tuple[float, float] | None:
    found = around.places
    if not found["line"]:
        return None
    slope = float(found["line_slope"])
    return float(found["line_price"]) + slope * int(found["bottom"]), slope


def _scene(series: Series, case: Case, setup: Setup[Any], fit: Fit, way: plan.Way) -> surroundings.Scene:
    return surroundings.Scene(
        fit=fit,
        times=series.times,
        begin=series.begin,
        volatility=series.volatility(fit.t),
        bars=len(setup.bars),
        timetable=case.timetable,
        instrument=case.instrument,
        entry=way.price,
        risk=way.risk,
        obstacle=None if way.obstacle is None else way.obstacle[0],
        coarser=case.coarser,
        lean=case.lean,
        dates=case.dates,
    )


def _warnings(scene: surroundings.Scene, made: plan.Plan, case: Case) -> list[str]:
    """Say what about the entry that is followed, and its size, is likely to hurt."""
    if scene.entry is None or scene.risk is None:
        return []
    size = made.entries[scene.fit.rules.entry_style]["size"]
    amount = None if size is None else Decimal(size)
    turnover = surroundings.daily_turnover(scene, case.rulebook.surroundings) if amount else None
    return size_warnings(case.account, case.instrument, scene.entry, scene.risk, amount, turnover)


def _place_rules(
    setup: Setup[Any], fit: Fit, around: Around, found: dict[str, PlaceFound], base: float
) -> dict[str, Measure]:
    """Give the rules of a setup that needs a place: that there is one, and that the setup still stands near it."""
    holding = sum(found[kind]["verdict"] for kind in setup.places)
    all_kinds = len(setup.places) == len(found)
    rules: dict[str, Measure] = {
        "place": {
            "measured": float(holding),
            "threshold": ">= 1",
            "verdict": holding > 0,
            "text": "places that hold" + ("" if all_kinds else f" among {' and '.join(setup.places)}"),
        }
    }
    if fit.rules.place_quality == "strict":
        rules["reach"] = {
            "measured": number(_away(fit, around.places, base) / fit.atr) if fit.atr else None,
            "threshold": f"<= {fit.rules.place_reach:g}",
            "verdict": within_reach(fit, around.places, base),
            "text": f"how far the stop's base lies from the pullback's {fit.word('low', 'high')} in ATR",
        }
    return rules


def _away(fit: Fit, places: Any, base: float) -> float:  # noqa: ANN401 - a PLACES record has no Python type
    return fit.sign * (base - float(places["bottom_price"]))


def _evidence(found: dict[str, PlaceFound], own: dict[str, Measure]) -> dict[str, Measure]:
    """Count the places among the points of evidence; a point without a threshold could not be judged."""
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


def _facts(setup: Setup[Any], numbers: Any, fit: Fit, around: Around, base: tuple[float, str]) -> plan.Facts:  # noqa: ANN401 - each setup has numbers of its own
    trigger, trigger_text = setup.trigger(fit, numbers)
    close, fast, slow = fit.close(), fit.at(FAST_AVERAGE), fit.at(SLOW_AVERAGE)
    tie = TIE * abs(close)
    return plan.Facts(
        sign=fit.sign,
        close=_decimal(close),
        trigger=_decimal(trigger),
        trigger_text=trigger_text,
        base=_decimal(base[0]),
        base_text=base[1],
        atr=_decimal(fit.atr),
        fast_average=_decimal(fast),
        close_beyond_fast=fit.sign * (close - fast) > tie,
        close_beyond_slow=fit.sign * (close - slow) > tie,
        obstacles=tuple((_decimal(price), text) for price, text in around.obstacles),
    )


def _decimal(price: float) -> Decimal:
    """Give the decimal that the price was written as."""
    return Decimal(repr(float(price)))
