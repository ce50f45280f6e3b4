"""Rows from a reader through the guard and the engine, as in a station and a replay."""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass, field
from decimal import Decimal

import numpy as np

from scanner.market.bars import RawBars
from scanner.market.instruments import Instrument
from scanner.market.price_steps import PriceSteps
from scanner.market.sessions.calendars import calendar_named
from scanner.market.sessions.timeframes import Timeframe
from scanner.pipeline import Inputs
from scanner.trade.size import Account
from scanner.wording.text import HIDDEN
from tests.laws import many_found
from tests.outside.random_tapes import tape

SECOND = 1_000_000_000
STEP = Decimal("0.01")
TAPE = tape(0)[630:900]
"""Bars that contain a setup and its whole story, which ends with the last bar but one."""
LONGEST = 1_000
"""Most letters of a readable sentence."""
CAUGHT = "could not be taken in"
"""What an inbox says if it has survived a defect with one message, which is still a defect."""


@dataclass(slots=True)
class Found:
    """The result of one input: numbers of bars and events, and the sentences about what was refused."""

    bars: int = 0
    events: int = 0
    sentences: list[str] = field(default_factory=list)

    def refuse(self, sentence: str) -> None:
        """Record why something was refused, which must be one printable line."""
        if not sentence:
            raise AssertionError("it is refused without a sentence")
        if len(sentence) > LONGEST:
            raise AssertionError(f"a sentence is too long: {len(sentence):,} letters, {sentence[:LONGEST]!r}")
        if not {*map(unicodedata.category, sentence)}.isdisjoint(HIDDEN):
            raise AssertionError(f"a sentence cannot be printed on one line: {sentence!r}")
        if CAUGHT in sentence:
            raise AssertionError(f"a defect is caught: {sentence}")
        self.sentences.append(sentence)


def take(raw: RawBars, found: Found) -> None:
    """Pass rows on like those of a 15m feed that also makes 1h bars."""
    watched = (Timeframe.named("15m"), Timeframe.named("1h"))
    inputs = Inputs(
        Instrument("HRB", PriceSteps.fixed(STEP)),
        calendar_named("24/7"),
        watched[0],
        watched,
        many_found(),
        Account(equity=Decimal(50_000)),
    )
    pipeline = inputs.pipeline()
    checked = pipeline.check(raw)
    for note in checked.notes:
        found.refuse(note.text)
    bars = checked.bars
    found.bars += len(bars)
    low, high = np.minimum(bars.open, bars.close), np.maximum(bars.open, bars.close)
    if not (np.isfinite(bars.low) & np.isfinite(bars.high) & (bars.low <= low) & (high <= bars.high)).all():
        raise AssertionError("the guard let a bar through that cannot be one")
    for event in pipeline.events(bars):
        event.to_line()
        found.events += 1


def tape_rows() -> RawBars:
    """Give the tape as correct rows."""
    rows = np.arange(len(TAPE), dtype=np.int64)
    first, high, low, last, volume = np.array(TAPE).T
    return RawBars(900 * SECOND * rows, first, high, low, last, volume, rows, "the tape")


def warm_up() -> None:
    """Load and compile beforehand what the first input needs."""
    take(tape_rows(), Found())
