"""The engine: bars in, events out. No clock, no outside, no chance: the same bars give the same events.

The only place where market, analysis and trade meet.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from math import isnan
from typing import TYPE_CHECKING, Any

from scanner.analysis import evidence, places
from scanner.analysis.columns import CLOSE, FAST_AVERAGE, HIGH, LOW, OPEN, SLOW_AVERAGE
from scanner.analysis.rules import TIE, Rules
from scanner.analysis.series import Candidate, Series, Warm
from scanner.analysis.setups import doji_pause
from scanner.events import Event, event_id, rfc3339
from scanner.market.splits import suspected_split
from scanner.trade import plan
from scanner.trade.size import Account

if TYPE_CHECKING:
    from collections.abc import Iterator
    from typing import Literal

    from scanner.events import Direction, Measure, Place, PlaceFound, SeriesData, SetupData
    from scanner.market.bars import Bars
    from scanner.market.instruments import Instrument
    from scanner.market.timeframes import Timeframe


@dataclass(frozen=True, slots=True)
class Judgement:
    """What was found at one bar in one direction, whether or not it qualifies.

    ``rules`` includes the rule ``place``; ``place`` is the safest that holds, None where none does. There is no
    ``plan`` before the series is warm.
    """

    direction: Direction
    bar_open: int
    bar_close: int
    close: Decimal
    rules: dict[str, Measure]
    places: dict[str, PlaceFound]
    evidence: dict[str, Measure]
    evidence_points: int
    evidence_total: int
    place: Place | None
    plan: plan.Plan | None

    @property
    def qualified(self) -> bool:
        """Whether every rule holds."""
        return all(rule["verdict"] for rule in self.rules.values())


class SeriesEngine:
    """The engine of one series: an instrument on a timeframe under one set of rules."""

    __slots__ = ("account", "instrument", "rules", "series", "timeframe")

    def __init__(
        self, instrument: Instrument, timeframe: Timeframe, rules: Rules | None = None, account: Account | None = None
    ) -> None:
        self.instrument = instrument
        self.timeframe = timeframe
        self.rules = rules or Rules()
        self.account = account or Account()
        self.series = Series(self.rules)

    def push(self, bars: Bars) -> list[Event]:
        """Take in closed bars, oldest first, and say what they mean."""
        return list(self.events(bars))

    def events(self, bars: Bars) -> Iterator[Event]:
        """Take in closed bars and say what they mean, as it comes; for long slices."""
        for stop in self.series.take(bars):
            if isinstance(stop, Candidate):
                around = self.series.look(stop)
                if any(around[name] for name in places.PLACE_NAMES):
                    yield self._qualified(self._judgement(stop, around))
            elif isinstance(stop, Warm):
                reason = f"warm again after {self.rules.warm_up} bars"
                yield self._about_series("series.resumed", stop.index, reason, 0)
            elif (split := self._suspected_split(stop.index)) is not None:
                new, old = split
                reason = f"opens near {old}:{new} of the last close, as after a split; put on hold until warm again"
                yield self._about_series("series.held", stop.index, reason, self.rules.warm_up)
                self.series.restart()

    def judge(self, sign: int) -> Judgement | None:
        """Judge the last bar taken in, in one direction, even where nothing stands; None with too few bars."""
        if self.series.used < BARS_JUDGED:
            return None
        last = self.series.measure_last(sign)
        return self._judgement(last, self.series.look(last))

    def snapshot(self) -> bytes:
        """Give what must be kept, besides the last ``rules.history`` bars, to go on in a later run."""
        return self.series.snapshot()

    def restore(self, snapshot: bytes, bars: Bars) -> None:
        """Go on from a snapshot; ``bars`` are the last bars taken in. ValueError when they are too few."""
        self.series.restore(snapshot, bars)

    def _suspected_split(self, index: int) -> tuple[int, int] | None:
        columns, atr = self.series.columns, float(self.series.state["atr"][0, -1])
        last_close, open_ = float(columns[CLOSE, index - 1]), float(columns[OPEN, index])
        return suspected_split(last_close, open_, atr, self.rules.hold_atr)

    def _judgement(self, candidate: Candidate, around: Any) -> Judgement:  # noqa: ANN401 - a PLACES record
        """Put into words what was measured at a bar and found around it, weigh the evidence and make the plan."""
        series, index, sign = self.series, candidate.index, candidate.sign
        rules = doji_pause.describe(candidate.measured, candidate.verdicts, sign, self.rules)
        found = places.describe(around, self.rules, sign, candidate.atr, self.instrument.steps.nearest)
        holding = sum(place["verdict"] for place in found.values())
        rules["place"] = {
            "measured": float(holding),
            "threshold": ">= 1",
            "verdict": holding > 0,
            "text": "places that hold",
        }
        points, held, total = evidence.weigh(series, index, sign, found)
        return Judgement(
            direction="long" if sign > 0 else "short",
            bar_open=int(series.times[0, index]),
            bar_close=int(series.times[1, index]),
            close=_decimal(series.columns[CLOSE, index]),
            rules=rules,
            places=found,
            evidence=points,
            evidence_points=held,
            evidence_total=total,
            place=places.safest(found),
            plan=plan.make(self._facts(candidate, around), self.rules, self.instrument, self.account)
            if series.warm
            else None,
        )

    def _facts(self, candidate: Candidate, found: Any) -> plan.Facts:  # noqa: ANN401 - a PLACES record
        index, sign = candidate.index, candidate.sign
        last = self.series.columns[:, index - 1 : index + 1].tolist()  # the bars D and B of each column
        (high_d, high_b), (low_d, low_b) = last[HIGH], last[LOW]
        close, fast, slow = last[CLOSE][1], last[FAST_AVERAGE][1], last[SLOW_AVERAGE][1]
        obstacle, tie = float(found["obstacle"]), TIE * abs(close)
        if isnan(obstacle):
            text = "no level and no average ahead"
        elif found["obstacle_is_average"]:
            text = f"the {self.rules.slow_average}-bar average ahead"
        else:
            text = "nearest level ahead"
        return plan.Facts(
            sign=sign,
            high_b=_decimal(high_b),
            low_b=_decimal(low_b),
            close_b=_decimal(close),
            high_d=_decimal(high_d),
            low_d=_decimal(low_d),
            atr=_decimal(candidate.atr),
            fast_average=_decimal(fast),
            close_beyond_fast=sign * (close - fast) > tie,
            close_beyond_slow=sign * (close - slow) > tie,
            obstacle=None if isnan(obstacle) else _decimal(obstacle),
            obstacle_text=text,
        )

    def _qualified(self, judgement: Judgement) -> Event:
        if judgement.plan is None or judgement.place is None:
            raise AssertionError("only a warm bar with a place qualifies")
        instrument, timeframe = self.instrument, self.timeframe.name
        style = self.rules.entry_style
        chosen = judgement.plan.entries[style]
        data: SetupData = {
            "instrument": instrument.symbol,
            "timeframe": timeframe,
            "setup": doji_pause.NAME,
            "direction": judgement.direction,
            "bar_open": rfc3339(judgement.bar_open),
            "bar_close": rfc3339(judgement.bar_close),
            "close": f"{judgement.close:f}",
            "step": f"{instrument.steps.at(judgement.close):f}",
            "currency": instrument.currency,
            "place": judgement.place,
            "rules": judgement.rules,
            "places": judgement.places,
            "evidence": judgement.evidence,
            "evidence_points": judgement.evidence_points,
            "evidence_total": judgement.evidence_total,
            "levels": judgement.plan.levels,
            "level_reasons": judgement.plan.level_reasons,
            "entry_style": style,
            "entries": judgement.plan.entries,
            "exit_plan": judgement.plan.exit_plan,
            "size": chosen["size"],
            "size_reason": chosen["size_reason"],
        }
        name = event_id(
            "setup.qualified",
            instrument.symbol,
            timeframe,
            doji_pause.NAME,
            judgement.direction,
            str(judgement.bar_close),
        )
        subject = f"{instrument.symbol}/{timeframe}"
        return Event("setup.qualified", name, judgement.bar_close, subject, data, thread=name)

    def _about_series(
        self, kind: Literal["series.held", "series.resumed"], index: int, reason: str, ready_after: int
    ) -> Event:
        symbol, timeframe = self.instrument.symbol, self.timeframe.name
        open_time, close_time = (int(time) for time in self.series.times[:, index])
        data: SeriesData = {
            "instrument": symbol,
            "timeframe": timeframe,
            "bar_open": rfc3339(open_time),
            "bar_close": rfc3339(close_time),
            "reason": reason,
            "ready_after": ready_after,
        }
        return Event(
            kind, event_id(kind, symbol, timeframe, str(close_time)), close_time, f"{symbol}/{timeframe}", data
        )


BARS_JUDGED = 4
"""The setup's three bars and the one before them."""


def _decimal(price: float) -> Decimal:
    """Give the decimal that the price was written as."""
    return Decimal(repr(float(price)))
