"""Surroundings: what a trader checks around a setup before acting, each with a figure and a verdict.

They are judged from closed bars and the configuration alone, so that a replay gives the same. One that cannot be judged
says so, and holds.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from math import isnan, nan
from pathlib import Path  # noqa: TC003 - pydantic reads the annotations
from statistics import median
from typing import TYPE_CHECKING, Literal, Self, get_args

from pydantic import BaseModel, ConfigDict, Field, model_validator

from scanner.analysis.columns import CLOSE, HIGH, LOW, OPEN, VOLUME
from scanner.analysis.numbers import number
from scanner.analysis.rules import TIE
from scanner.analysis.trend import trend
from scanner.market.calendars import DAY, NANOSECONDS

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Mapping, Sequence

    import numpy as np
    from numpy.typing import NDArray

    from scanner.analysis.setup import Fit
    from scanner.event_data import Measure
    from scanner.market.dates import Dated
    from scanner.market.instruments import Instrument
    from scanner.market.sessions import Timetable

HOUR = 3_600 * NANOSECONDS

Surrounding = Literal["trend", "coarser", "volatility", "room", "cost", "liquid", "hours", "dates", "gap", "risk_size"]
NAMES: tuple[Surrounding, ...] = get_args(Surrounding)
"""In the order in which they are shown."""
NOT_JUDGED = "not judged"
"""The start of the text of a surrounding that cannot be judged, and so holds."""


class Surroundings(BaseModel):
    """The table ``[surroundings]``: which of them an alert requires, and their settings."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    require: tuple[Surrounding, ...] = Field(
        ("liquid", "cost"), description="those that must hold; a setup that fails one is set aside"
    )
    quiet: float = Field(
        0.85, gt=0, description="volatility below which a market is quiet, in ATR of the last 100 bars"
    )
    loud: float = Field(1.15, gt=0, description="volatility above which a market is loud, in ATR of the last 100 bars")
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


@dataclass(frozen=True, slots=True)
class Scene:
    """A setup and its surroundings.

    ``times`` (2 × bars, int64) are open and close times of the bars of ``fit.series``, in nanoseconds since 1970 UTC;
    ``begin`` is the first bar available. ``volatility`` is ATR divided by the mean of its last 100 values, NaN before
    that is known. ``bars`` counts those of the setup, which end at ``fit.t``. ``entry``, ``risk`` and ``obstacle`` are
    prices of the entry followed: None if there is no such price. ``coarser`` names the next coarser timeframe followed,
    empty if there is none; ``lean`` is that of its last closed bar, +1 up, −1 down, 0 mixed, None if unknown. ``dates``
    are those that concern the instrument, None if no dates are known.
    """

    fit: Fit
    times: NDArray[np.int64]
    begin: int
    volatility: float
    bars: int
    timetable: Timetable
    instrument: Instrument
    entry: Decimal | None
    risk: Decimal | None
    obstacle: Decimal | None
    coarser: str
    lean: float | None
    dates: Sequence[Dated] | None

    @property
    def first(self) -> int:
        """The first bar of the setup."""
        return self.fit.t + 1 - self.bars

    @property
    def tie(self) -> float:
        """The difference below which two prices here are equal."""
        return TIE * abs(self.fit.close())


def judge(scene: Scene, surroundings: Surroundings) -> dict[str, Measure]:
    """Judge all surroundings of a setup, by name, in the order of ``NAMES``."""
    return {name: judge_one(name, scene, surroundings) for name in NAMES}


def judge_one(name: Surrounding, scene: Scene, surroundings: Surroundings) -> Measure:
    """Judge one surrounding of a setup."""
    return _JUDGES[name](scene, surroundings)


def why_set_aside(measures: Mapping[str, Measure], require: Collection[str]) -> str:
    """Say in a clause which of the required surroundings fail, and why; empty if none does."""
    failing = [name for name in NAMES if name in require and not measures[name]["verdict"]]
    return ", and ".join(f"{name.replace('_', ' ')} fails: {_valued(measures[name])}" for name in failing)


def daily_turnover(scene: Scene, surroundings: Surroundings) -> Decimal | None:
    """Give the median turnover of a day, in the instrument's currency; None if unknown.

    It is the median of the last bars times the bars of a day.
    """
    turnover, bars = _median_turnover(scene, surroundings), scene.timetable.bars_a_day(int(scene.times[0, scene.fit.t]))
    return None if turnover is None or bars is None else Decimal(repr(turnover)) * bars.numerator / bars.denominator


def _valued(measure: Measure) -> str:
    """Write a measure in words: its name, its value, and the threshold."""
    if measure["measured"] is None:
        return measure["text"]
    return f"{measure['text']} {measure['measured']:.4g}, wanted {measure['threshold']}"


def _measure(measured: float, threshold: str, verdict: bool, text: str) -> Measure:
    return {"measured": number(measured), "threshold": threshold, "verdict": verdict, "text": text}


def _unjudged(threshold: str, reason: str) -> Measure:
    return {"measured": None, "threshold": threshold, "verdict": True, "text": f"{NOT_JUDGED}: {reason}"}


def _together(parts: Sequence[Measure]) -> Measure:
    """Combine several measures that must all hold into one: those that fail if some do, else all.

    The last of them gives value and threshold; the others precede it in words.
    """
    told = [part for part in parts if not part["verdict"]] or parts
    *others, last = sorted(told, key=lambda part: part["measured"] is not None)
    text = "; ".join([*map(_valued, others), last["text"]])
    return {**last, "text": text}


def _trend(scene: Scene, _: Surroundings) -> Measure:
    fit, rise, slow = scene.fit, scene.fit.rules.average_rise, scene.fit.rules.slow_average
    found = int(trend(fit.series, fit.t, float(fit.sign), rise))
    word = {1: "with the trend", 0: "trend mixed", -1: "against the trend"}[found]
    return _measure(found, ">= 0", found >= 0, f"{word}, by the close and the {slow}-bar average over {rise} bars")


def _coarser(scene: Scene, _: Surroundings) -> Measure:
    if not scene.coarser:
        return _unjudged(">= 0", "no coarser timeframe is followed")
    if scene.lean is None:
        return _unjudged(">= 0", f"too few {scene.coarser} bars so far")
    found = scene.fit.sign * scene.lean + 0.0  # avoid negative zero
    word = "agrees" if found > 0 else "disagrees" if found < 0 else "is mixed"
    text = f"the last {scene.coarser} bar {word}, by its close and its {scene.fit.rules.fast_average}-bar average"
    return _measure(found, ">= 0", found >= 0, text)


def _volatility(scene: Scene, surroundings: Surroundings) -> Measure:
    ratio, loud = scene.volatility, surroundings.loud
    if isnan(ratio):
        return _unjudged(f"<= {loud:g}", "too few bars so far for a usual volatility")
    holds = ratio <= loud * (1 + TIE)
    word = "loud" if not holds else "quiet" if ratio < surroundings.quiet * (1 - TIE) else "usual"
    return _measure(ratio, f"<= {loud:g}", holds, f"{word}: ATR in means of its last 100 values")


def _room(scene: Scene, surroundings: Surroundings) -> Measure:
    least = f">= {surroundings.min_room:g}"
    if scene.entry is None or scene.risk is None:
        return _unjudged(least, "the entry has no R")
    if scene.obstacle is None:
        return _unjudged(least, "no obstacle ahead")
    ahead = scene.fit.sign * (scene.obstacle - scene.entry) + 0
    holds = ahead >= Decimal(repr(surroundings.min_room)) * scene.risk
    return _measure(float(ahead / scene.risk), least, holds, "distance from the entry to the obstacle in R")


def _cost(scene: Scene, surroundings: Surroundings) -> Measure:
    most, instrument = f"<= {surroundings.max_cost:g}", scene.instrument
    if not instrument.costs.given:
        return _unjudged(most, "no costs are given")
    if scene.entry is None or scene.risk is None:
        return _unjudged(most, "the entry has no R")
    cost = instrument.costs.in_price(scene.entry, instrument.point_value)
    holds = cost <= Decimal(repr(surroundings.max_cost)) * scene.risk
    named = [name for name in ("spread", "commission", "slippage") if getattr(instrument.costs, name) is not None]
    return _measure(float(cost / scene.risk), most, holds, f"{' and '.join(named)} of both ways in R")


def _liquid(scene: Scene, surroundings: Surroundings) -> Measure:
    step = scene.instrument.steps.at(Decimal(repr(scene.fit.close())))
    parts = [
        _least_range(scene, surroundings, float(step)),
        _least_risk(scene, surroundings, step),
        _traded(scene, surroundings),
    ]
    if surroundings.min_turnover is not None:
        parts.append(_least_turnover(scene, surroundings, surroundings.min_turnover))
    return _together(parts)


def _traded(scene: Scene, surroundings: Surroundings) -> Measure:
    """Count the last bars of the timetable, and those of them that are missing or without volume."""
    bars, most = surroundings.liquid_bars, f"<= {surroundings.max_missing}"
    first, t = max(scene.begin, scene.fit.t + 1 - bars), scene.fit.t
    volumes = _volumes(scene, first)
    if volumes is None and not scene.timetable.calendar.known:
        return _unjudged(most, "the feed has no volume, and a missing bar cannot be noticed without sessions")
    missing = [*scene.timetable.missing_before(scene.times[0, first : t + 1]).tolist(), 0]
    there = back = 0
    for gap, volume in zip(reversed(missing), reversed(volumes or missing), strict=True):
        back += gap
        there += back < bars and (volumes is None or volume > 0)
        back += 1
    should = min(bars, back)
    text = f"bars of the last {should} that are missing" + ("" if volumes is None else " or without volume")
    return _measure(should - there, most, should - there <= surroundings.max_missing, text)


def _volumes(scene: Scene, first: int) -> list[float] | None:
    """Give the volumes from a bar on, 0 for missing ones; None if the feed has none.

    A feed without volume may write nothing, or 0 throughout.
    """
    written = scene.fit.series[VOLUME, first : scene.fit.t + 1].tolist()
    volumes = [volume if volume > 0 else 0.0 for volume in written]  # NaN is not above 0
    return volumes if any(volumes) else None


def _least_range(scene: Scene, surroundings: Surroundings, step: float) -> Measure:
    bars = slice(scene.first, scene.fit.t + 1)
    highs, lows = (scene.fit.series[column, bars].tolist() for column in (HIGH, LOW))
    smallest = min(high - low for high, low in zip(highs, lows, strict=True))
    holds = smallest >= surroundings.range_steps * step - scene.tie
    return _measure(smallest / step, f">= {surroundings.range_steps}", holds, "smallest bar's range in steps")


def _least_risk(scene: Scene, surroundings: Surroundings, step: Decimal) -> Measure:
    least = f">= {surroundings.risk_steps}"
    if scene.risk is None:
        return _unjudged(least, "the entry has no R")
    return _measure(float(scene.risk / step), least, scene.risk >= surroundings.risk_steps * step, "R in steps")


def _median_turnover(scene: Scene, surroundings: Surroundings) -> float | None:
    """Give the median turnover of the last bars in the instrument's currency; None without volume or with too few."""
    first = scene.fit.t + 1 - surroundings.liquid_bars
    volumes = _volumes(scene, first) if first >= scene.begin else None
    if volumes is None:
        return None
    closes: list[float] = scene.fit.series[CLOSE, first : scene.fit.t + 1].tolist()
    turnovers = [abs(close) * volume for close, volume in zip(closes, volumes, strict=True)]
    return median(turnovers) * float(scene.instrument.point_value)


def _least_turnover(scene: Scene, surroundings: Surroundings, least: float) -> Measure:
    turnover, threshold = _median_turnover(scene, surroundings), f">= {least:g}"
    if turnover is None:
        return _unjudged(threshold, "no turnover, since the feed has no volume")
    text = f"median turnover of {surroundings.liquid_bars} bars in {scene.instrument.currency or 'money'}"
    return _measure(turnover, threshold, turnover >= least * (1 - TIE), text)


def _hours(scene: Scene, surroundings: Surroundings) -> Measure:
    timetable, after = scene.timetable, f">= {surroundings.skip_close}"
    if not timetable.timeframe.intraday:
        return _unjudged(after, "for bars shorter than a day only")
    if not timetable.calendar.known:
        return _unjudged(after, "the sessions are not known")
    if timetable.calendar.never_closes:
        return _unjudged(after, "the market never closes")
    opens = scene.times[0, scene.first : scene.fit.t + 1]
    sessions, (numbers, bars) = len(set(timetable.session_numbers(opens).tolist())), timetable.places_in_sessions(opens)
    before, left = int(numbers[0]), int(bars[-1] - numbers[-1]) - 1
    return _together(
        [
            _measure(sessions, "<= 1", sessions == 1, "sessions that the setup lies in"),
            _measure(before, f">= {surroundings.skip_open}", before >= surroundings.skip_open, "bars of it before"),
            _measure(left, after, left >= surroundings.skip_close, "bars of the session after the setup"),
        ]
    )


def _dates(scene: Scene, surroundings: Surroundings) -> Measure:
    intraday = scene.timetable.timeframe.intraday
    unit, name = (HOUR, "hours") if intraday else (DAY, "days")
    keep_away = surroundings.date_hours if intraday else surroundings.date_days
    threshold = f"> {keep_away}"
    if scene.dates is None:
        return _unjudged(threshold, "no dates are given")
    close, away_at_least = int(scene.times[1, scene.fit.t]), surroundings.keeps_away(intraday=intraday)
    nearest = min(scene.dates, key=lambda each: (each.away(close), each.begin), default=None)
    if nearest is None:
        return _unjudged(threshold, "none of the dates given concerns it")
    away = nearest.away(close)
    side = "to" if nearest.begin > close else "since" if nearest.end < close else "from"
    return _measure(away / unit, threshold, away > away_at_least, f"{name} {side} the nearest date: {nearest.what}")


def _gap(scene: Scene, surroundings: Surroundings) -> Measure:
    series, first, t, atr = scene.fit.series, scene.first, scene.fit.t, scene.fit.atr
    most = f"<= {surroundings.pause_gap:g}"
    if scene.bars == 1:
        return _unjudged(most, "a setup of one bar has no opening within")
    if isnan(atr):
        return _unjudged(most, "too few bars so far for an ATR")
    opens, closes = series[OPEN, first + 1 : t + 1].tolist(), series[CLOSE, first:t].tolist()
    greatest = max(abs(start - close) for start, close in zip(opens, closes, strict=True))
    holds = greatest <= surroundings.pause_gap * atr + scene.tie
    return _measure(greatest / atr if atr else nan, most, holds, "widest gap at an open within the setup in ATR")


def _risk_size(scene: Scene, surroundings: Surroundings) -> Measure:
    most, atr = f"<= {surroundings.max_risk:g}", scene.fit.atr
    if scene.risk is None:
        return _unjudged(most, "the entry has no R")
    if isnan(atr):
        return _unjudged(most, "too few bars so far for an ATR")
    risk = float(scene.risk)
    return _measure(risk / atr if atr else nan, most, risk <= surroundings.max_risk * atr + scene.tie, "R in ATR")


_JUDGES: Mapping[Surrounding, Callable[[Scene, Surroundings], Measure]] = {
    "trend": _trend,
    "coarser": _coarser,
    "volatility": _volatility,
    "room": _room,
    "cost": _cost,
    "liquid": _liquid,
    "hours": _hours,
    "dates": _dates,
    "gap": _gap,
    "risk_size": _risk_size,
}
