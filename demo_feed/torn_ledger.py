"""The torn ledger: a few hundred bars as text, some of them damaged on purpose in every way a guard must notice."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np

from demo_feed.market_walk import Character, walk
from demo_feed.trading_times import trading_times

if TYPE_CHECKING:
    from collections.abc import Callable

SEED, STEP = 31, 0.05
CHARACTER = Character(96.0, 0.0028, 3.0, 2_200, 10)
BEGIN, BARS = datetime(2024, 2, 26, 14, 30, tzinfo=UTC), 390
"""Fifteen days of trading; New York changes to summer time among them."""

TIME, OPEN, HIGH, LOW, CLOSE, VOLUME = range(6)
Row = list[str]


def _price(text: str, change: float) -> str:
    return f"{float(text) + change:.2f}"


def _later(text: str, minutes: int) -> str:
    return (datetime.fromisoformat(text) + timedelta(minutes=minutes)).strftime("%Y-%m-%dT%H:%M:%SZ")


def _with(row: Row, cell: int, text: str) -> Row:
    return [text if number == cell else old for number, old in enumerate(row)]


def _idle(row: Row) -> Row:
    return [row[TIME], *[row[OPEN]] * 4, "0"]


DAMAGE: dict[int, tuple[str, Callable[[Row], list[Row]]]] = {
    17: ("unreadable price", lambda row: [_with(row, CLOSE, "NaN")]),
    41: ("high below low", lambda row: [_with(_with(row, HIGH, row[LOW]), LOW, _price(row[HIGH], 0.05))]),
    66: ("outside its range", lambda row: [_with(row, CLOSE, _price(row[HIGH], 0.35))]),
    90: ("repeated time", lambda row: [row, row]),
    118: ("repeated time", lambda row: [row, _with(row, HIGH, _price(row[HIGH], 0.5))]),
    143: ("backward time", lambda row: [row, _with(row, TIME, _later(row[TIME], -45))]),
    170: ("misaligned time", lambda row: [_with(row, TIME, _later(row[TIME], 4))]),
    196: ("missing bars", lambda _row: []),
    221: ("no trade", lambda row: [_idle(row)]),
    247: ("infinite price", lambda row: [_with(row, HIGH, "inf")]),
    272: ("unreadable price", lambda row: [_with(row, OPEN, "n/a")]),
    299: ("impossible volume", lambda row: [_with(row, VOLUME, "-" + row[VOLUME])]),
    324: ("unreadable time", lambda row: [_with(row, TIME, "the day after fog")]),
    350: ("misaligned time", lambda row: [row, _with(row, TIME, _later(row[TIME], 60 * 12))]),
}
"""By bar: what is wrong, and the rows that stand in its place.

A refused row leaves a hole, so that a missing bar is noticed as well where the row stood for one.
"""


def torn_ledger() -> tuple[list[str], list[tuple[int, str]]]:
    """Give the lines of the file, and the damage: (line, counted from 1, and what is wrong)."""
    times = trading_times("XNYS")
    begin = int(np.searchsorted(times.opens, int(BEGIN.timestamp())))
    stretch = np.arange(len(times)) - begin
    times = times.kept((stretch >= 0) & (stretch < BARS))
    times = type(times)(times.opens, times.day - times.day[0])
    tape = walk(np.random.Generator(np.random.PCG64(SEED)), times, CHARACTER, STEP)

    lines, damage = ["time,open,high,low,close,volume"], []
    for number, opened in enumerate(times.opens.tolist()):
        stamp = datetime.fromtimestamp(opened, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
        prices = (tape.open[number], tape.high[number], tape.low[number], tape.close[number])
        row = [stamp, *(f"{int(price) * STEP:.2f}" for price in prices), f"{tape.volume[number]:.0f}"]
        reason, damaged = DAMAGE.get(number, ("", None))
        rows = damaged(row) if damaged else [row]
        lines += [",".join(each) for each in rows]
        if reason:
            damage.append((len(lines) + (not rows), reason))
    return lines, damage
