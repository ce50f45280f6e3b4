"""The follower of one series: takes its setups as they are found over its closed bars, and says what came of each."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from math import isnan, nan
from typing import TYPE_CHECKING, Any

import numpy as np

from scanner.analysis.columns import ATR, CLOSE
from scanner.follow import steps
from scanner.follow.outcome import Outcome
from scanner.trade.plan import stop_behind, stop_margin

if TYPE_CHECKING:
    from collections.abc import Sequence

    from scanner.analysis.series import Series
    from scanner.analysis.setup import Spoiler
    from scanner.follow.outcome import State
    from scanner.market.instruments import Instrument
    from scanner.trade.rulebook import Rulebook

STYLES = ("early", "break", "average")
"""In the order of the compiled code."""

SIGN_WORDS = {
    steps.ENGULFED: "a bar engulfed against it",
    steps.THROUGH_AVERAGE: "a close back through the fast average",
    steps.THROUGH_LINE: "a close through the trend line",
    steps.DRIVEN: "a drive bar against it",
    steps.OTHER_SIDE: "a setup on the other side",
}


@dataclass(frozen=True, slots=True)
class Found:
    """A setup to be followed: a planned entry of the style that is followed, and what it is left by.

    ``line`` is its trend line, the price at the setup's last bar and the rise a bar; None where there is none.
    """

    thread: str
    sign: int
    set_aside: bool
    entry: Decimal
    stop: Decimal
    ride: bool
    spoiler: Spoiler
    line: tuple[float, float] | None


@dataclass(slots=True)
class _Story:
    """What the compiled code does not need: the setup, and the stop in exact decimals."""

    found: Found
    stop: Decimal


class Follower:
    """The stories of one series.

    They live as long as this object: no snapshot of a series holds them. Call ``stand`` at each bar where setups stand,
    in order, and ``go_on`` before bars leave the window.
    """

    def __init__(self, series: Series, instrument: Instrument, rulebook: Rulebook) -> None:
        self._series = series
        self._instrument = instrument
        self._rules = rulebook.rules
        self._follow = rulebook.follow
        self._numbers = rulebook.follow.record()
        self._records = np.zeros(0, dtype=steps.STORY)
        self._stories: list[_Story] = []
        self._ended: list[Outcome] = []

    def stand(self, index: int, found: Sequence[Found], sides: Sequence[int]) -> None:
        """Go on to a bar of the series' window at which setups stand on some ``sides``, and follow those ``found``.

        ``sides`` are signs: a setup that is not followed itself still is pressure against the other side.
        """
        self._go_on(index + 1, (1 in sides) | (-1 in sides) << 1)
        if found:
            records, have = np.empty(len(self._records) + len(found), dtype=steps.STORY), len(self._records)
            records[:have] = self._records
            for number, each in enumerate(found, have):
                records[number] = self._record(index, each)
            self._records = records
            self._stories += [_Story(each, each.stop) for each in found]

    def go_on(self) -> None:
        """Go on over all bars that the series has taken in."""
        self._go_on(self._series.used, 0)

    def break_off(self, index: int, reason: str) -> None:
        """Go on over the bars before one of the window, and end there what is left, without a result."""
        self._go_on(index, 0)
        time = int(self._series.times[1, index])
        ended = zip(self._records, self._stories, strict=True)
        self._ended += [self._outcome(record, story, "broken_off", reason, time) for record, story in ended]
        self._records, self._stories = self._records[:0], []

    def ended(self) -> list[Outcome]:
        """Give those that have ended since this was last asked."""
        ended, self._ended = self._ended, []
        return ended

    def under_way(self) -> list[Outcome]:
        """Give those that have not ended."""
        return [
            self._outcome(record, story, "open", "still open", None)
            if record["state"] == steps.OPEN
            else self._outcome(record, story, "waiting", "still waiting for its entry", None)
            for record, story in zip(self._records, self._stories, strict=True)
        ]

    @property
    def _offset(self) -> int:
        return self._series.used - self._series.count

    def _record(self, index: int, found: Found) -> tuple[Any, ...]:
        series, sign, spoiler = self._series, found.sign, found.spoiler
        style = STYLES.index(self._rules.entry_style)
        number = index - self._offset
        close, entry = sign * float(series.columns[CLOSE, index]), sign * float(found.entry)
        line, slope = found.line or (nan, 0.0)
        values = {
            "sign": sign,
            "style": style,
            "ride": found.ride,
            "begun": number,
            "next": number + 1,
            "entry": entry,
            "gap": self._rules.gap_limit * float(series.columns[ATR, index]),
            "reference": (close, entry, nan)[style],
            "stop": sign * float(found.stop),
            "beyond": nan if spoiler.beyond is None else sign * spoiler.beyond,
            "average": -1 if spoiler.average is None else spoiler.average,
            "closes": spoiler.closes,
            "bars": spoiler.bars or 0,
            "line": sign * line,
            "slope": sign * slope,
            "swing": nan,
            "fill": nan,
            "exit": nan,
        }
        return tuple(values.get(name, 0) for name in steps.STORY.names or ())

    def _go_on(self, stop: int, sides: int) -> None:
        if not self._stories:
            return
        pool, row, offset = self._series.pool, self._series.row, self._offset
        todo = steps.RAISES
        while todo & steps.RAISES:
            todo = steps.advance(
                pool.columns,
                pool.deep,
                pool.times,
                row,
                self._records,
                offset,
                stop,
                sides,
                self._rules.record,
                self._numbers,
            )
            if todo & steps.RAISES:
                for which in np.flatnonzero(~np.isnan(self._records["swing"])).tolist():
                    self._raise_stop(self._records[which], self._stories[which])
        if todo & steps.ENDED:
            over = (self._records["state"] > steps.OPEN).tolist()
            for record, story, ended in zip(self._records, self._stories, over, strict=True):
                if ended:
                    self._ended.append(
                        self._outcome(record, story, *self._ending(record, story), int(record["ended_at"]))
                    )
            self._records = self._records[~np.array(over)]
            self._stories = [story for story, ended in zip(self._stories, over, strict=True) if not ended]

    def _raise_stop(self, record: Any, story: _Story) -> None:  # noqa: ANN401 - a record of an array has no type
        """Raise a stop under the swing low that the last bar met has confirmed, where that is further."""
        sign, index = story.found.sign, int(record["next"]) - 1 + self._offset
        base = _decimal(sign * record["swing"])
        atr, close = _decimal(self._series.columns[ATR, index]), _decimal(self._series.columns[CLOSE, index])
        margin = stop_margin(base, atr, self._rules, self._instrument)
        stop = stop_behind(base, margin, sign, close, self._instrument)
        if sign * (stop - story.stop) > 0:
            story.stop = stop
            record["stop"] = sign * float(stop)
        record["swing"] = nan

    def _ending(self, record: Any, story: _Story) -> tuple[State, str]:  # noqa: ANN401 - as above
        state = int(record["state"])
        if state == steps.LEFT_ON_PRESSURE:
            signs = steps.gathered(int(record["signs"]), self._follow.pressure_within)
            return "left_on_pressure", " and ".join(text for bit, text in SIGN_WORDS.items() if signs & bit)
        endings: dict[int, tuple[State, str]] = {
            steps.STOPPED: ("stopped", "the stop was reached"),
            steps.STOPPED_AT_OPEN: ("stopped", "a bar opened beyond the stop"),
            steps.LEFT: ("left", "the MACD line crossed back"),
            steps.LAPSED: ("lapsed", f"no entry within {self._follow.max_wait} bars"),
            steps.GAPPED: (
                "lapsed",
                "the open that it would have been filled at or after lay too far beyond the entry",
            ),
            steps.OPENED_AT_STOP: ("lapsed", "the open that it would have been filled at lay at the stop or beyond"),
            steps.SPOILED_BY_STOP: ("spoiled", "a close beyond the stop before the entry"),
            steps.SPOILED_BY_CROSS: ("spoiled", "the MACD line crossed back before the entry"),
            steps.SPOILED_BY_OWN: ("spoiled", f"{story.found.spoiler.text} before the entry"),
        }
        return endings[state]

    def _outcome(self, record: Any, story: _Story, state: State, reason: str, ended_at: int | None) -> Outcome:  # noqa: ANN401 - as above
        found, sign = story.found, story.found.sign
        entry = exit_ = best = worst = cost = None
        if not isnan(record["fill"]):
            entry = _decimal(sign * record["fill"]) if record["filled_at_open"] else found.entry
            best, worst = _decimal(sign * record["best"]), _decimal(sign * record["worst"])
            costs = self._instrument.costs
            cost = costs.in_price(entry, self._instrument.point_value) if costs.given else None
        if not isnan(record["exit"]):
            exit_ = story.stop if record["state"] == steps.STOPPED else _decimal(sign * record["exit"])
        return Outcome(
            thread=found.thread,
            sign=sign,
            set_aside=found.set_aside,
            state=state,
            reason=reason,
            planned=found.entry,
            first_stop=found.stop,
            stop=story.stop,
            entry=entry,
            exit=exit_,
            best=best,
            worst=worst,
            held=int(record["held"]),
            entered_at=None if entry is None else int(record["entered_at"]),
            ended_at=ended_at,
            cost=cost,
        )


def _decimal(price: Any) -> Decimal:  # noqa: ANN401 - a number of an array has no type
    """Give the decimal that the price was written as."""
    return Decimal(repr(float(price) + 0.0))  # there is no negative zero
