"""Tapes made by hand: a quiet market, a setup at its last bar, and then the bars of a case.

Every quiet bar opens at 99.60, ranges from 99.50 to 100.50 and closes at 100. So each true range is 1, the usual body
0.40, both averages are 100, and the MACD line equals its signal. The setup's bar goes from 100 to 101: its true range
is still 1, and the line crosses above its signal. For the short side the tape is reflected at 100.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from decimal import Decimal
from math import isnan
from typing import TYPE_CHECKING, Any, Self

import numpy as np

from scanner.analysis.door.setup import LEVELS
from scanner.analysis.pool import Pool
from scanner.analysis.rules import Rules
from scanner.analysis.series import Series
from scanner.events import rfc3339
from scanner.follow.begun import begun
from scanner.follow.decision import Decision
from scanner.follow.follower import Follower
from scanner.follow.found import Found
from scanner.follow.stories import go_on_together
from scanner.market.instruments import Instrument
from scanner.market.price_steps import PriceSteps
from scanner.trade.following import Follow
from scanner.trade.rulebook import Rulebook
from tests.follow.recorded import ended
from tests.laws import bars_of, timetable

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping
    from typing import Literal

    from numpy.typing import NDArray

    from scanner.follow.news import News
    from scanner.follow.outcome import Outcome

Prices = tuple[float, float, float, float]
"""Open, high, low and close."""

QUIET: list[Prices] = [(99.6, 100.5, 99.5, 100.0)] * 260
RISEN: Prices = (100.0, 101.0, 100.0, 101.0)


def mirrored(price: float) -> float:
    """Reflect a price at 100."""
    return float(200 - Decimal(repr(price)))


@dataclass(frozen=True, slots=True)
class Spoiler:
    """What proves a setup wrong before its entry, as in its levels."""

    beyond: float | None = None
    average: int | None = None
    closes: int = 1
    bars: int | None = None

    @classmethod
    def of(cls, levels: Any) -> Self:  # noqa: ANN401 - a record has no Python type
        """Read the spoiler from a LEVELS record."""
        beyond, average, closes, bars = (levels[name].item() for name in ("beyond", "average", "closes", "bars"))
        return cls(None if isnan(beyond) else beyond, None if average < 0 else average, closes, bars or None)

    @property
    def levels(self) -> NDArray[Any]:
        """Give an array of one LEVELS record with the spoiler."""
        found = np.zeros(1, dtype=LEVELS)
        found["beyond"] = np.nan if self.beyond is None else self.beyond
        found["average"] = -1 if self.average is None else self.average
        found["closes"], found["bars"] = self.closes, self.bars or 0
        return found


def record_of(
    series: Series, found: Found, spoiler: Spoiler, line: tuple[float, float] = (np.nan, 0.0)
) -> NDArray[Any]:
    """Give the record of a setup at the last bar; ``line`` is the price of its trend line there, and its rise a bar."""
    prices = np.array([[float(found.entry)], [float(found.stop)], [line[0]], [line[1]]])
    spots = np.array([[series.row, series.used - 1, found.sign]])
    return begun(series.pool, spots, prices, np.array([found.ride]), spoiler.levels)


@dataclass(frozen=True, slots=True)
class Case:
    """Bars after a setup, its plan as for the long side, and the bars (numbered from 1) with a setup against it."""

    bars: list[Prices]
    style: Literal["early", "break", "average"] = "break"
    entry: str = "101.50"
    stop: str = "99.50"
    ride: bool = False
    spoiler: Spoiler = field(default_factory=Spoiler)
    line: tuple[float, float] | None = None
    others: Collection[int] = ()
    last: Prices = RISEN
    """The setup's bar."""
    choices: Follow = field(default_factory=Follow)
    steps: PriceSteps = field(default_factory=lambda: PriceSteps.fixed(Decimal("0.01")))
    decided: Mapping[int, tuple[Literal["take", "leave"], str | None]] = field(default_factory=dict)
    """The user's decisions by bar, with their own prices as for the long side."""

    def run(self, sign: int) -> Outcome:
        """Follow the case on one side of the market, bar by bar, and give its outcome."""
        return self.follow(sign)[0]

    def follow(self, sign: int) -> tuple[Outcome, list[News]]:
        """Follow the case, and give its outcome and all its news."""

        def side(price: float) -> float:
            return price if sign > 0 else mirrored(price)

        rows = [*QUIET, self.last, *self.bars]
        bars = bars_of(
            [(side(o), side(h if sign > 0 else lo), side(lo if sign > 0 else h), side(c), 1.0) for o, h, lo, c in rows]
        )
        rulebook = Rulebook(Rules(entry_style=self.style), (), follow=self.choices)
        series = Series(Pool(rulebook.rules, (), timetable()))
        instrument = Instrument("GANNET", self.steps)
        follower = Follower(series, instrument, rulebook, timetable())
        begin = len(QUIET) + 1
        for _ in series.take(bars[:begin]):
            pass
        beyond = self.spoiler.beyond
        found = Found(
            "thread",
            "own",
            "own setup",
            sign,
            set_aside=False,
            evidence_points=5,
            close=rfc3339(int(bars.close_time[begin - 1])),
            trigger=side(self.last[1]),
            entry=Decimal(self.entry) if sign > 0 else 200 - Decimal(self.entry),
            stop=Decimal(self.stop) if sign > 0 else 200 - Decimal(self.stop),
            size=Decimal(100),
            ride=self.ride,
            spoiled_by="own",
        )
        spoiler = replace(self.spoiler, beyond=None if beyond is None else side(beyond))
        line = (np.nan, 0.0) if self.line is None else (side(self.line[0]), sign * self.line[1])
        record = record_of(series, found, spoiler, line)
        follower.begin([found], record)
        told = [news for _, news in go_on_together([follower], [[(series.used - 1, sign)]])[0]]
        for number in range(1, len(self.bars) + 1):
            for _ in series.take(bars[begin + number - 1 : begin + number]):
                pass
            others = [(series.used - 1, -sign)] if number in self.others else []
            told += [news for _, news in go_on_together([follower], [others])[0]]
            if number in self.decided:
                kind, at = self.decided[number]
                price = None if at is None else Decimal(at) if sign > 0 else 200 - Decimal(at)
                size = Decimal(30) if kind == "take" else None
                told += follower.decide(Decision("thread", kind, price, size, int(bars.close_time[begin + number - 1])))
        (outcome,) = [*ended(told), *follower.under_way()]
        return outcome, told


def seen_long(price: Decimal | None, sign: int) -> str | None:
    """Give a price as for the long side, in hundredths."""
    return None if price is None else f"{price if sign > 0 else 200 - price:.2f}"
