"""The torn ledger: a few hundred bars as text, some of them damaged on purpose in every way a guard must notice."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

from demo_feed.exchange import Times, trading_times
from demo_feed.market_walk import Character, walk

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.random import Generator

STEP = 0.05
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


DAMAGE: dict[int, Callable[[Row], list[Row]]] = {
    17: lambda row: [_with(row, CLOSE, "NaN")],
    41: lambda row: [_with(_with(row, HIGH, row[LOW]), LOW, _price(row[HIGH], 0.05))],
    66: lambda row: [_with(row, CLOSE, _price(row[HIGH], 0.35))],
    90: lambda row: [row, row],
    118: lambda row: [row, _with(row, HIGH, _price(row[HIGH], 0.5))],
    143: lambda row: [row, _with(row, TIME, _later(row[TIME], -45))],
    170: lambda row: [_with(row, TIME, _later(row[TIME], 4))],
    196: lambda _row: [],
    221: lambda row: [_idle(row)],
    247: lambda row: [_with(row, HIGH, "inf")],
    272: lambda row: [_with(row, OPEN, "n/a")],
    299: lambda row: [_with(row, VOLUME, "-" + row[VOLUME])],
    324: lambda row: [_with(row, TIME, "the day after fog")],
    350: lambda row: [row, _with(row, TIME, _later(row[TIME], 60 * 12))],
}
"""By bar: the rows that stand in its place. The README says what the guard makes of each."""


def torn_ledger(rng: Generator) -> list[str]:
    """Give the lines of the file."""
    times = trading_times("XNYS")
    begin = times.bar_at(BEGIN)
    times = Times(times.opens[begin : begin + BARS], times.day[begin : begin + BARS] - times.day[begin])
    tape = walk(rng, times, CHARACTER, STEP)
    lines = ["time,open,high,low,close,volume"]
    for number, opened in enumerate(times.opens.tolist()):
        stamp = datetime.fromtimestamp(opened, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
        row = [stamp, *(f"{int(prices[number]) * STEP:.2f}" for prices in tape.prices), f"{tape.volume[number]:.0f}"]
        lines += [",".join(each) for each in (DAMAGE[number](row) if number in DAMAGE else [row])]
    return lines
