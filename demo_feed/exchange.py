"""The Tallow Quay Exchange: how each of its instruments behaves, and what happened to it. All of it is invented."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import numpy as np

from demo_feed.market_walk import Character, walk
from demo_feed.trading_times import Times, trading_times

if TYPE_CHECKING:
    from numpy.random import Generator

    from demo_feed.rule_check import Tape


@dataclass(frozen=True, slots=True)
class Quoted:
    """An instrument: its symbol, calendar, price step, seed, how many cases it takes, and its character."""

    symbol: str
    calendar: str
    step: str
    seed: int
    cases: int
    character: Character


QUOTED = (
    Quoted("TERNFERRY", "XNYS", "0.01", 11, 10, Character(212.0, 0.0026, 3.0, 6_000, 10)),
    Quoted("SALTLAMP", "XNYS", "0.001", 12, 11, Character(8.4, 0.003, 3.0, 30_000, 100)),
    Quoted("DRIFTLOOM", "XTKS", "0.2", 13, 9, Character(1_460.0, 0.003, 2.5, 900, 10)),
    Quoted("QUAYNINE", "XNYS", "0.1", 14, 10, Character(5_210.0, 0.0015, 2.5, 0)),
    Quoted("GLOWKELP", "XLON", "0.25", 15, 13, Character(640.0, 0.0036, 3.0, 420)),
    Quoted("EBBPOWER", "XLON", "0.1", 16, 13, Character(24.0, 0.033, 2.5, 160, scale=38.0, pull=2.5)),
    Quoted("CROWNMARK", "24/5", "0.00005", 17, 20, Character(1.371, 0.00045, 4.0, 2_400, 10, day_shape=0.2)),
    Quoted(
        "WHELKCHIT", "24/7", "0.00001", 18, 24, Character(0.0417, 0.0042, 0.0, 52_000, 100, pull=3.0, day_shape=0.15)
    ),
    Quoted("FOGFREIGHT", "none", "5", 19, 12, Character(18_400.0, 0.0042, 2.5, 60)),
)

SPLIT = "TERNFERRY", datetime(2024, 6, 12, 13, 30, tzinfo=UTC)
"""From this opening on, two new shares stand for one old."""

FALL = "SALTLAMP", datetime(2023, 10, 19, 13, 30, tzinfo=UTC)
FALL_TO = 0.76
"""A night that cost a quarter of the price: a leap, and no split."""

OUTAGE = "WHELKCHIT", datetime(2024, 3, 9, 2, 15, tzinfo=UTC)
OUTAGE_BARS = 8
"""Two hours of which no bar was kept."""

IDLE = "FOGFREIGHT"
IDLE_BARS = 12
"""Quarters of an hour in which nobody traded, spread over the two years."""


@dataclass(frozen=True, slots=True)
class Market:
    """The bars of an instrument.

    ``split`` is the bar from which prices are to be halved, ``leap`` one that opens far away; 0 where there is none.
    """

    times: Times
    tape: Tape
    split: int = 0
    leap: int = 0


def open_market(quoted: Quoted, rng: Generator) -> Market:
    """Let an instrument trade for two years, with what happened to it."""
    times = trading_times(quoted.calendar)
    tape = walk(rng, times, quoted.character, float(quoted.step))
    if quoted.symbol == OUTAGE[0]:
        gap = np.arange(len(times)) - _bar_at(times, OUTAGE[1])
        kept = (gap < 0) | (gap >= OUTAGE_BARS)
        times = times.kept(kept)
        tape = tape.taken(kept)
    if quoted.symbol == IDLE:
        _rest(tape, rng)
    if quoted.symbol == FALL[0]:
        bar = _bar_at(times, FALL[1])
        _move(tape, bar, round(tape.close[bar - 1] * FALL_TO) - int(tape.open[bar]))
        return Market(times, tape, leap=bar)
    return Market(times, tape, split=_bar_at(times, SPLIT[1]) if quoted.symbol == SPLIT[0] else 0)


def halve(tape: Tape, bar: int) -> None:
    """Halve prices and double volumes from a bar on, which opens near half of the last close."""
    for column in (tape.open, tape.high, tape.low, tape.close):
        column[bar:] //= 2
    tape.volume[bar:] *= 2
    _move(tape, bar, round(tape.close[bar - 1] / 2 * 1.004) - int(tape.open[bar]))


def _bar_at(times: Times, moment: datetime) -> int:
    bar = int(np.searchsorted(times.opens, int(moment.timestamp())))
    if times.opens[bar] != int(moment.timestamp()):
        raise ValueError(f"no bar opens at {moment:%Y-%m-%d %H:%M}")
    return bar


def _move(tape: Tape, bar: int, shift: int) -> None:
    """Move all prices from a bar on."""
    for column in (tape.open, tape.high, tape.low, tape.close):
        column[bar:] += shift


def _rest(tape: Tape, rng: Generator) -> None:
    """Let nobody trade in a few bars: one price, no volume."""
    for part in range(IDLE_BARS):
        bar = int((part + rng.random()) * len(tape) / IDLE_BARS * 0.95) + 300
        last = int(tape.close[bar - 1])
        shift = last - int(tape.close[bar])
        for column in (tape.open, tape.high, tape.low, tape.close):
            column[bar] = last
            column[bar + 1 :] += shift
        tape.volume[bar] = 0.0
