"""The Tallow Quay Exchange: what it quotes, when it trades, and what happened there. All of it is invented."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import exchange_calendars
import numpy as np
import pandas as pd

from demo_feed.market_walk import Character, Tape, walk

if TYPE_CHECKING:
    from numpy.random import Generator
    from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class Quoted:
    """An instrument: its symbol, calendar, price step and character."""

    symbol: str
    calendar: str
    step: str
    character: Character


QUOTED = (
    Quoted("TERNFERRY", "XNYS", "0.01", Character(212.0, 0.0026, 2.0, 6_000, 10)),
    Quoted("DRIFTLOOM", "XTKS", "0.2", Character(1_460.0, 0.003, 2.0, 900, 10)),
    Quoted("QUAYNINE", "XNYS", "0.1", Character(5_210.0, 0.0015, 2.0, 0)),
    Quoted("EBBPOWER", "XLON", "0.05", Character(24.0, 0.02, 2.0, 160, scale=38.0)),
    Quoted("CROWNMARK", "24/5", "0.00005", Character(1.371, 0.00055, 4.0, 2_400, 10, day_shape=0.2)),
    Quoted("WHELKCHIT", "24/7", "0.00001", Character(0.0417, 0.0042, 0.0, 52_000, 100, day_shape=0.15)),
    Quoted("FOGFREIGHT", "none", "5", Character(18_400.0, 0.0042, 2.0, 60)),
)

SPLIT = "TERNFERRY", datetime(2024, 6, 12, 13, 30, tzinfo=UTC)
"""From this opening on, two new shares stand for one old."""

FALL = "DRIFTLOOM", datetime(2023, 10, 19, 0, 0, tzinfo=UTC)
FALL_TO = 0.76
"""A night that cost a quarter of the price: a leap, and no split."""

OUTAGE = "WHELKCHIT", datetime(2024, 3, 9, 2, 15, tzinfo=UTC)
OUTAGE_BARS = 8
"""Two hours of which no bar was kept."""

IDLE = "FOGFREIGHT"
IDLE_BARS = 12
"""Quarters of an hour in which nobody traded, spread over the two years."""

FIRST_DAY, LAST_DAY = date(2023, 1, 2), date(2024, 12, 31)
BAR = 900
"""Length of a bar in seconds."""

FRIDAY = 5
NEW_YORK = ZoneInfo("America/New_York")
FREIGHT_HOURS = time(8), time(16)
FREIGHT_HOLIDAYS = frozenset(
    date(year, month, day)
    for year in (2023, 2024)
    for month, day in ((1, 2), (2, 14), (4, 3), (5, 17), (6, 21), (8, 9), (9, 20), (11, 8), (12, 24), (12, 25))
)
"""Days on which the invented freight hall stays shut: new year, net mending, first ferry, fog week, long light, …"""


@dataclass(frozen=True, slots=True)
class Times:
    """Open times of bars in seconds since 1970 UTC, and the number of the day or half day that each belongs to."""

    opens: NDArray[np.int64]
    day: NDArray[np.int64]

    def __len__(self) -> int:
        """Count the bars."""
        return len(self.opens)

    @property
    def after_break(self) -> NDArray[np.bool_]:
        """Mark the bars before which trading rested: prices may leap there."""
        return np.concatenate([[False], np.diff(self.opens) > BAR])

    def kept(self, which: NDArray[np.bool_]) -> Times:
        """Give some of the bars."""
        return Times(self.opens[which], self.day[which])

    def bar_at(self, moment: datetime) -> int:
        """Give the number of the bar that opens at a moment; ValueError where none does."""
        bar = int(np.searchsorted(self.opens, int(moment.timestamp())))
        if self.opens[bar] != int(moment.timestamp()):
            raise ValueError(f"no bar opens at {moment:%Y-%m-%d %H:%M}")
        return bar


def trading_times(calendar: str) -> Times:
    """Give the bars of two years on a calendar: an exchange's code, ``24/7``, ``24/5``, or ``none``.

    On ``none`` the hours and holidays are those of the invented freight hall, which no calendar knows.
    """
    parts = [np.arange(begin, end, BAR, dtype=np.int64) for begin, end in _parts(calendar)]
    number = np.repeat(np.arange(len(parts)), [len(part) for part in parts])
    return Times(np.concatenate(parts), number)


def _parts(calendar: str) -> list[tuple[int, int]]:
    """Give begin and end of every unbroken stretch of trading, in seconds since 1970 UTC."""
    days = [FIRST_DAY + timedelta(days=number) for number in range((LAST_DAY - FIRST_DAY).days + 1)]
    if calendar == "24/7":
        return [(_at(day, time()), _at(day + timedelta(days=1), time())) for day in days]
    weekdays = [day for day in days if day.isoweekday() <= FRIDAY]
    if calendar == "24/5":
        evening = time(17)
        return [(_at(day - timedelta(days=1), evening, NEW_YORK), _at(day, evening, NEW_YORK)) for day in weekdays]
    if calendar == "none":
        opening, closing = FREIGHT_HOURS
        return [(_at(day, opening), _at(day, closing)) for day in weekdays if day not in FREIGHT_HOLIDAYS]
    bounds = pd.Timestamp(FIRST_DAY), pd.Timestamp(LAST_DAY)
    schedule = exchange_calendars.get_calendar(calendar, start=bounds[0], end=bounds[1]).schedule
    parts = []
    for row in schedule.itertuples():
        begin, end = int(row.open.timestamp()), int(row.close.timestamp())
        if pd.isna(row.break_start):
            parts.append((begin, end))
        else:
            parts += [(begin, int(row.break_start.timestamp())), (int(row.break_end.timestamp()), end)]
    return parts


def _at(day: date, clock: time, zone: ZoneInfo | None = None) -> int:
    return int(datetime.combine(day, clock, zone or UTC).timestamp())


def open_market(quoted: Quoted, rng: Generator) -> tuple[Times, Tape]:
    """Let an instrument trade for two years, with what happened to it."""
    times = trading_times(quoted.calendar)
    tape = walk(rng, times, quoted.character, float(quoted.step))
    if quoted.symbol == OUTAGE[0]:
        gap = np.arange(len(times)) - times.bar_at(OUTAGE[1])
        kept = (gap < 0) | (gap >= OUTAGE_BARS)
        times, tape = times.kept(kept), tape.kept(kept)
    if quoted.symbol == IDLE:
        _rest(tape, rng)
    if quoted.symbol == FALL[0]:
        bar = times.bar_at(FALL[1])
        _move(tape, bar, round(tape.close[bar - 1] * FALL_TO) - int(tape.open[bar]))
    if quoted.symbol == SPLIT[0]:
        _halve(tape, times.bar_at(SPLIT[1]))
    return times, tape


def _halve(tape: Tape, bar: int) -> None:
    """Halve prices and double volumes from a bar on, which opens near half of the last close."""
    for column in tape.prices:
        column[bar:] //= 2
    tape.volume[bar:] *= 2
    _move(tape, bar, round(tape.close[bar - 1] / 2 * 1.004) - int(tape.open[bar]))


def _move(tape: Tape, bar: int, shift: int) -> None:
    """Move all prices from a bar on."""
    for column in tape.prices:
        column[bar:] += shift


def _rest(tape: Tape, rng: Generator) -> None:
    """Let nobody trade in a few bars: one price, no volume."""
    for part in range(IDLE_BARS):
        bar = int((part + rng.random()) * len(tape) / IDLE_BARS * 0.95) + 300
        last = int(tape.close[bar - 1])
        _move(tape, bar + 1, last - int(tape.close[bar]))
        for column in tape.prices:
            column[bar] = last
        tape.volume[bar] = 0.0
