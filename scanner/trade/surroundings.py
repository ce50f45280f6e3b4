"""Surroundings: what a trader checks around a setup before acting, each with a figure and a verdict.

They are judged from closed bars and the configuration alone, so that a replay gives the same. One that cannot be judged
says so, and holds.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from functools import cached_property, lru_cache
from itertools import pairwise, starmap
from math import isnan
from pathlib import Path  # noqa: TC003 - pydantic reads the annotations
from typing import TYPE_CHECKING, Any, Literal, NamedTuple, Protocol, Self, get_args

import numpy as np
from pydantic import ConfigDict, Field, model_validator

from scanner.analysis.numbers import number
from scanner.analysis.rules import TIE
from scanner.clocks import DAY, HOUR
from scanner.event_data import NOT_JUDGED
from scanner.market.costs import COST_NAMES
from scanner.trade import around
from scanner.trade.around import (
    AFTER,
    BEFORE,
    COARSER,
    COST,
    DATES,
    FAILS,
    GAP,
    HOLDS,
    IN_PARTS,
    NEAREST,
    NOT_ASKED,
    RANGE,
    RISK,
    RISK_SIZE,
    ROOM,
    SESSIONS,
    SHOULD,
    TRADED,
    TREND,
    TURNOVER,
    VOLATILITY,
    VOLUMES,
)
from scanner.trade.levels import together
from scanner.wording.config_table import ConfigTable

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

    from numpy.typing import NDArray

    from scanner.analysis.rules import Rules
    from scanner.event_data import Measure
    from scanner.market.costs import Costs
    from scanner.market.instruments import Instrument
    from scanner.market.sessions.dates import Dated
    from scanner.market.sessions.timetables import Timetable
    from scanner.trade.levels import Grid

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]

MOST_DECIMALS = 9
"""Number of decimals of costs that count exactly."""

Surrounding = Literal["trend", "coarser", "volatility", "room", "cost", "liquid", "hours", "dates", "gap", "risk_size"]
NAMES: tuple[Surrounding, ...] = get_args(Surrounding)
"""In the order in which they are shown."""
NUMBERS: Mapping[Surrounding, int] = {name: number for number, name in enumerate(NAMES)}

PARTS_OF: Mapping[Surrounding, range] = dict(zip(NAMES, starmap(range, pairwise(IN_PARTS.tolist())), strict=True))
"""The parts of each, all of which must hold."""

REASONS: Mapping[int, str] = {
    around.NO_COARSER: "no coarser timeframe is followed",
    around.FEW_COARSER: "too few {coarser} bars so far",
    around.FEW_BARS: "too few bars so far for a usual volatility",
    around.NO_RISK: "the entry has no R",
    around.NO_OBSTACLE: "no obstacle ahead",
    around.NO_COSTS: "no costs are given",
    around.NO_VOLUME: "the feed has no volume, and a missing bar cannot be noticed without sessions",
    around.NO_TURNOVER: "no turnover, since the feed has no volume",
    around.NOT_INTRADAY: "for bars shorter than a day only",
    around.NO_SESSIONS: "the sessions are not known",
    around.NEVER_CLOSES: "the market never closes",
    around.NO_DATES: "no dates are known",
    around.NO_DATE: "none of the dates given concerns it",
    around.ONE_BAR: "a setup of one bar has no opening within",
}
"""Why a part cannot be judged."""


class Surroundings(ConfigTable):
    """The table ``[surroundings]``: which of them an alert requires, and their settings."""

    model_config = ConfigDict(allow_inf_nan=False)

    require: tuple[Surrounding, ...] = Field(
        ("liquid", "cost"), description="those that must hold; a setup that fails one is set aside"
    )
    quiet: float = Field(
        0.85,
        gt=0,
        description="ATR below which a market is quiet, as a multiple of its mean over volatility_length bars",
    )
    loud: float = Field(
        1.15,
        gt=0,
        description="ATR above which a market is loud, as a multiple of its mean over volatility_length bars",
    )
    min_room: float = Field(1.0, description="smallest distance from the entry to the obstacle, in R")
    max_cost: float = Field(0.10, gt=0, description="greatest costs of both ways, in R")
    liquid_bars: int = Field(
        20, ge=1, description="number of last bars that must have traded, and whose turnover counts"
    )
    max_missing: int = Field(1, ge=0, description="how many of them may be missing or without volume")
    range_steps: int = Field(5, ge=0, description="smallest range of the setup's smallest bar, in price steps")
    risk_steps: int = Field(20, ge=0, description="smallest R, in price steps")
    min_turnover: float | None = Field(
        None, gt=0, description="smallest median turnover of a bar, in the instrument's currency"
    )
    skip_open: int = Field(2, ge=0, description="number of first bars of a session without setups")
    skip_close: int = Field(2, ge=0, description="number of last bars of a session without setups")
    dates: Path | None = Field(None, description="CSV of dates: time, instrument, what; relative to the configuration")
    date_days: int = Field(10, ge=0, description="days to keep away from a date, for bars of a day and longer")
    date_hours: int = Field(2, ge=0, description="hours to keep away from a date, for bars shorter than a day")
    pause_gap: float = Field(0.5, ge=0, description="greatest distance of an open from the close before, in ATR")
    max_risk: float = Field(2.0, gt=0, description="greatest R, in ATR")

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.quiet > self.loud:
            raise ValueError(f"quiet ({self.quiet:g}) must not be above loud ({self.loud:g})")
        return self

    def keeps_away(self, *, intraday: bool) -> int:
        """Give the distance to keep from a date, in nanoseconds."""
        return self.date_hours * HOUR if intraday else self.date_days * DAY

    @cached_property
    def thresholds(self) -> Mapping[int, str]:
        """The threshold of each part, in words."""
        return {
            TREND: ">= 0",
            COARSER: ">= 0",
            VOLATILITY: f"<= {self.loud:g}",
            ROOM: f">= {self.min_room:g}",
            COST: f"<= {self.max_cost:g}",
            RANGE: f">= {self.range_steps}",
            RISK: f">= {self.risk_steps}",
            TRADED: f"<= {self.max_missing}",
            TURNOVER: f">= {self.min_turnover or 0:g}",
            SESSIONS: "<= 1",
            BEFORE: f">= {self.skip_open}",
            AFTER: f">= {self.skip_close}",
            DATES: "",  # depends on the timeframe
            GAP: f"<= {self.pause_gap:g}",
            RISK_SIZE: f"<= {self.max_risk:g}",
        }

    @cached_property
    def record(self) -> NDArray[Any]:
        """The settings for compiled code: an array of one WANTED record."""
        values = (getattr(self, name) for name in around.WANTED.names or ())
        return np.array([tuple(np.nan if value is None else value for value in values)], dtype=around.WANTED)


class Known(Protocol):
    """What the surroundings of a series depend on besides its bars and the rules; see ``judgement.Case``."""

    @property
    def instrument(self) -> Instrument:
        """The instrument."""

    @property
    def coarser(self) -> str:
        """The next coarser timeframe followed, empty if there is none."""

    @property
    def dates(self) -> Sequence[Dated] | None:
        """The dates that concern the instrument, None if no dates are known."""

    @property
    def grid(self) -> Grid:
        """The price steps of the instrument."""


@dataclass(frozen=True, slots=True)
class Scene:
    """Some bars at which setups end, of series on one timetable under the same rules, and their surroundings.

    ``columns``, ``deep`` and ``times`` are the windows of a pool. ``spots`` (n × 3) are rows of series, bars and signs;
    ``begins`` are the first bars of their series, in ``columns`` and in ``deep``, ``of`` the numbers of their
    ``cases``, and ``bars`` counts those of each setup. ``ways`` (n × 3) are entry, risk and obstacle of the entry
    followed in units of price, NaN if there is no such price. ``leans`` are those of the last closed bar of the coarser
    timeframe, +1 up, −1 down, 0 mixed, NaN if unknown.
    """

    columns: Floats
    deep: Floats
    times: Integers
    begins: tuple[Integers, Integers]
    spots: Integers
    of: Integers
    bars: Integers
    ways: Floats
    leans: Floats
    cases: Sequence[Known]
    rules: Rules
    timetable: Timetable

    def case(self, spot: int) -> Known:
        """Give the case of a spot."""
        return self.cases[int(self.of[spot])]

    def some(self, spots: NDArray[np.intp]) -> Scene:
        """Give a scene of only some spots."""
        begins = self.begins[0][spots], self.begins[1][spots]
        about = (self.spots[spots], self.of[spots], self.bars[spots], self.ways[spots], self.leans[spots])
        return Scene(self.columns, self.deep, self.times, begins, *about, self.cases, self.rules, self.timetable)

    def closed(self, spot: int) -> int:
        """Give the close of a spot's bar, in nanoseconds since 1970 UTC."""
        row, t, _ = self.spots[spot]
        return int(self.times[row, 1, t])

    def hours(self) -> int:
        """Say whether hours can be judged: HOLDS, or why not."""
        calendar = self.timetable.calendar
        if not self.timetable.timeframe.intraday:
            return around.NOT_INTRADAY
        if not calendar.known:
            return around.NO_SESSIONS
        return around.NEVER_CLOSES if calendar.never_closes else HOLDS

    def in_time(self, last: int) -> tuple[Integers, Integers]:
        """Say where the spots lie in the timetable: numbers of the ``last`` bars, and the places in their session."""
        rows, t, hours = self.spots[:, :1], self.spots[:, 1:2], np.zeros((len(self.spots), 3), dtype=np.int64)
        if not self.timetable.calendar.known or not len(t):
            return np.zeros((len(t), 0), dtype=np.int64), hours
        opens = self.times[rows, 0, np.maximum(t + np.arange(1 - last, 1), self.begins[0][:, None])]
        numbers = self.timetable.bar_numbers(opens.ravel()).reshape(opens.shape)
        if self.hours() == HOLDS:
            back = np.arange(1 - int(self.bars.max()), 1)
            opens = self.times[rows, 0, np.maximum(t + np.maximum(back, 1 - self.bars[:, None]), 0)]
            days = self.timetable.session_numbers(opens.ravel()).reshape(opens.shape)
            places, bars = (each.reshape(opens.shape) for each in self.timetable.places_in_sessions(opens.ravel()))
            hours[:, 0] = 1 + (np.diff(days) != 0).sum(axis=1)
            hours[:, 1], hours[:, 2] = places[:, 0], bars[:, -1] - places[:, -1] - 1
        return numbers, hours

    def markets(self, wanted: Surroundings) -> tuple[NDArray[Any], Integers]:
        """Give the MARKET records of the cases, and begin and end of all dates (2 × all)."""
        hours, keeps_away = self.hours(), wanted.keeps_away(intraday=self.timetable.timeframe.intraday)
        found = [
            (
                *_money(each.instrument.costs, each.instrument.point_value, each.grid.units),
                *(bool(each.coarser), hours, each.dates is not None, 0, 0, keeps_away),
            )
            for each in self.cases
        ]
        dates = [(date.begin, date.end) for each in self.cases for date in each.dates or ()]
        markets = np.array(found, dtype=around.MARKET)
        if dates:
            markets["end_date"] = np.cumsum([len(each.dates or ()) for each in self.cases])
            markets["first_date"][1:] = markets["end_date"][:-1]
        return markets, np.ascontiguousarray(np.array(dates, dtype=np.int64).reshape(-1, 2).T)


class _Spot(NamedTuple):
    """What was found at one spot, by part, with its case."""

    spot: int
    case: Known
    measured: Sequence[float]
    said: Sequence[int]
    counts: Sequence[int]


@dataclass(frozen=True, slots=True)
class Looked:
    """The surroundings found at the spots of a scene, with certain settings: see ``around.look``."""

    scene: Scene
    wanted: Surroundings
    measured: Floats
    said: NDArray[np.uint8]
    counts: Integers
    whole: NDArray[np.uint8]

    def fails(self, name: Surrounding) -> NDArray[np.bool_]:
        """Say at which spots a surrounding fails."""
        return np.asarray(self.whole[:, NUMBERS[name]] == FAILS)

    def told(self, spot: int) -> dict[str, Measure]:
        """Describe the surroundings of a setup, by name."""
        here = self._spot(spot)
        return {name: self._measure(which, here) for name, which in PARTS_OF.items()}

    def _measure(self, which: range, here: _Spot) -> Measure:
        if len(which) == 1 or here.said[which[0]] > NOT_ASKED:
            return self._part(which[-1], here)
        return _together([self._part(part, here) for part in which if here.said[part] != NOT_ASKED])

    def why_set_aside(self, spot: int) -> str:
        """Say in a clause which of the required surroundings of a setup fail, and why; empty if none does."""
        here, whole = self._spot(spot), self.whole[spot].tolist()
        measures: dict[str, Measure] = {
            name: _together([self._part(part, here) for part in PARTS_OF[name] if here.said[part] == FAILS])
            for name in self.wanted.require
            if whole[NUMBERS[name]] == FAILS
        }
        return why_set_aside(measures, measures.keys())

    def _spot(self, spot: int) -> _Spot:
        of_all = (self.measured, self.said, self.counts)
        return _Spot(spot, self.scene.case(spot), *(values[spot].tolist() for values in of_all))

    def daily_turnover(self, spot: int) -> Decimal | None:
        """Give the median turnover of a day, in the instrument's currency; None if unknown.

        It is the median of the last bars times the bars of a day.
        """
        turnover, scene = float(self.measured[spot, TURNOVER]), self.scene
        (row, t, _), timetable = scene.spots[spot], scene.timetable
        bars = timetable.bars_a_day(int(scene.times[row, 0, t]))
        if isnan(turnover) or bars is None:
            return None
        return Decimal(repr(turnover)) * bars.numerator / bars.denominator

    def _part(self, part: int, here: _Spot) -> Measure:
        threshold, measured, said = self.wanted.thresholds[part], here.measured[part], here.said[part]
        if part == DATES:
            threshold = f"> {self.wanted.date_hours if self._unit == HOUR else self.wanted.date_days}"
        if said in REASONS:
            text = f"{NOT_JUDGED}: {REASONS[said].format(coarser=here.case.coarser)}"
            return {"measured": None, "threshold": threshold, "verdict": True, "text": text}
        if part == DATES:
            measured /= self._unit
        text = TEXTS.get(part) or self._text(part, here)
        return {"measured": number(measured), "threshold": threshold, "verdict": said == HOLDS, "text": text}

    @property
    def _unit(self) -> int:
        return HOUR if self.scene.timetable.timeframe.intraday else DAY

    def _text(self, part: int, here: _Spot) -> str:  # noqa: PLR0911 - one a part
        rules, wanted, case, measured = self.scene.rules, self.wanted, here.case, here.measured[part]
        if part == TREND:
            word = {1: "with the trend", 0: "trend mixed", -1: "against the trend"}[int(measured)]
            return f"{word}, by the close and the {rules.slow_average}-bar average over {rules.average_rise} bars"
        if part == COARSER:
            word = "agrees" if measured > 0 else "disagrees" if measured < 0 else "is mixed"
            average = f"its {rules.fast_average}-bar average"
            return f"the last {case.coarser} bar {word}, by its close and {average}"
        if part == VOLATILITY:
            quiet = measured < wanted.quiet * (1 - TIE)
            word = "loud" if here.said[part] == FAILS else "quiet" if quiet else "usual"
            return f"{word}: ATR in means of its last {rules.volatility_length} values"
        if part == COST:
            named = [name for name in COST_NAMES if getattr(case.instrument.costs, name) is not None]
            return f"{' and '.join(named)} of both ways in R"
        if part == TRADED:
            text = f"bars of the last {here.counts[SHOULD]} that are missing"
            return f"{text} or without volume" if here.counts[VOLUMES] else text
        if part == TURNOVER:
            return f"median turnover of {wanted.liquid_bars} bars in {case.instrument.currency or 'money'}"
        return self._date(here)

    def _date(self, here: _Spot) -> str:
        nearest, close = (here.case.dates or ())[here.counts[NEAREST]], self.scene.closed(here.spot)
        side = "to" if nearest.begin > close else "since" if nearest.end < close else "from"
        return f"{'hours' if self._unit == HOUR else 'days'} {side} the nearest date: {nearest.what}"


TEXTS: Mapping[int, str] = {
    ROOM: "distance from the entry to the obstacle in R",
    RANGE: "smallest bar's range in steps",
    RISK: "R in steps",
    SESSIONS: "sessions that the setup lies in",
    BEFORE: "bars of it before",
    AFTER: "bars of the session after the setup",
    GAP: "widest gap at an open within the setup in ATR",
    RISK_SIZE: "R in ATR",
}
"""The text of a part, if it is always the same."""


def judge(scene: Scene, wanted: Surroundings) -> Looked:
    """Judge the surroundings of all setups of a scene."""
    spots = len(scene.spots)
    markets, dates = scene.markets(wanted)
    bands, _ = together(tuple(each.grid for each in scene.cases))
    measured, said = np.empty((spots, len(around.PARTS))), np.empty((spots, len(around.PARTS)), dtype=np.uint8)
    counts, whole = np.empty((spots, 3), dtype=np.int64), np.empty((spots, len(NAMES)), dtype=np.uint8)
    around.look(
        *(scene.columns, scene.deep, scene.times, scene.begins, scene.spots, scene.of, scene.bars, scene.leans),
        *(scene.ways, scene.in_time(wanted.liquid_bars), dates, scene.rules.record, wanted.record, markets, bands),
        (measured, said, counts, whole),
    )
    return Looked(scene, wanted, measured, said, counts, whole)


@lru_cache(1_024)
def _money(costs: Costs, point_value: Decimal, units: float) -> tuple[float, float, bool, float, float, int]:
    """Give the first fields of a MARKET record."""
    fixed, part = costs.parts(point_value)
    exact = (fixed * Decimal(units), part)
    scale = 10 ** min(max(0, *(-int(cost.as_tuple().exponent) for cost in exact)), MOST_DECIMALS)
    whole, relative = (float(cost * scale) for cost in exact)
    return units, float(point_value), costs.given, whole, relative, scale


def why_set_aside(measures: Mapping[str, Measure], require: Collection[str]) -> str:
    """Say in a clause which of the required surroundings fail, and why; empty if none does."""
    failing = [name for name in NAMES if name in require and not measures[name]["verdict"]]
    return ", and ".join(f"{name.replace('_', ' ')} fails: {_valued(measures[name])}" for name in failing)


def _valued(measure: Measure) -> str:
    """Write a measure in words: its name, its value, and the threshold."""
    if measure["measured"] is None:
        return measure["text"]
    return f"{measure['text']} {measure['measured']:.4g}, wanted {measure['threshold']}"


def _together(parts: Sequence[Measure]) -> Measure:
    """Combine several measures that must all hold into one: those that fail if some do, else all.

    The last of them gives value and threshold; the others precede it in words.
    """
    told = [part for part in parts if not part["verdict"]] or parts
    if len(told) == 1:
        return told[0]
    *others, last = sorted(told, key=lambda part: part["measured"] is not None)
    text = "; ".join([*map(_valued, others), last["text"]])
    return {**last, "text": text}
