"""The engine's announcements of doji pauses one bar ahead against the plain reading: the same bars and figures."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING

import pytest

from scanner.analysis.door.known_setups import known
from scanner.analysis.door.setup import Chosen
from scanner.analysis.rules import Rules
from scanner.engine.series_engine import SeriesEngine
from scanner.market.instruments import Instrument
from scanner.market.price_steps import PriceSteps
from scanner.trade.rulebook import Rulebook
from tests.effort import EFFORT
from tests.laws import REAL_SERIES, bars_of, real_series, timetable
from tests.outside.plain_reading import DIRECTIONS, Reading
from tests.outside.random_tapes import step_of, tape
from tests.outside.two_readings import plain_bars

if TYPE_CHECKING:
    from scanner.market.bars import Bars
    from tests.outside.plain_pause import Awaited

PAUSE = known()["doji_pause"]
WARM = 250


def as_must(found: Awaited, step: Decimal, *, long: bool) -> list[tuple[str, str | None, str | None, bool]]:
    """Write the bounds as they are announced: on the grid, so that they admit the same bars.

    A bound within a hair of a step is on it.
    """

    def on_grid(price: Decimal, rounding: str) -> Decimal:
        lots = price / step
        near = lots.quantize(Decimal(1))
        hair = Decimal("1e-12") * max(abs(price), abs(found.close_above)) / step
        return (near if abs(lots - near) <= hair else lots.quantize(Decimal(1), rounding)) * step

    close = on_grid(found.close_above, "ROUND_FLOOR")
    least, most = on_grid(found.least_body, "ROUND_CEILING"), on_grid(found.most_body, "ROUND_FLOOR")
    return [
        ("close", f"{close:f}", None, True) if long else ("close", None, f"{-close:f}", True),
        ("body", f"{least:f}", f"{most:f}", False),
        ("range", None, f"{on_grid(found.most_range, 'ROUND_FLOOR'):f}", False),
        ("body_of_range", f"{found.solid:f}", None, False),
    ]


def compare(bars: Bars, step: Decimal, quality: str = "strict") -> int:
    """Compare a whole series with its plain reading, and give the number of setups announced."""
    rules = Rules.model_validate({"hold_atr": 1e9, "place_quality": quality})
    rulebook = Rulebook(rules, (Chosen(PAUSE, PAUSE.numbers(), forming=True),))
    engine = SeriesEngine(Instrument("TERN", PriceSteps.fixed(step)), timetable("1d"), rulebook)
    numbers = {int(moment): number for number, moment in enumerate(bars.close_time)}
    said = {
        (numbers[event.time], event.data["direction"]): [
            (need["what"], need["least"], need["most"], need["beyond"]) for need in event.data["must"]
        ]
        for event in engine.push(bars)
        if event.kind == "setup.forming"
    }
    reading = Reading(plain_bars(bars), {"step": step, "place_quality": quality})
    plain = {
        (t, direction): as_must(found, step, long=direction == "long")
        for t in range(WARM - 1, len(bars))
        for direction in DIRECTIONS
        if (found := reading.awaited(t, direction)) is not None
    }
    assert said.keys() == plain.keys()
    assert {at: _numbers(must) for at, must in said.items()} == {at: _numbers(must) for at, must in plain.items()}
    return len(said)


def _numbers(must: list[tuple[str, str | None, str | None, bool]]) -> list[tuple[object, ...]]:
    return [
        (what, *(None if each is None else Decimal(each) for each in (least, most)), beyond)
        for what, least, most, beyond in must
    ]


@pytest.mark.parametrize("name", REAL_SERIES)
def test_real_series(name: str) -> None:
    bars = real_series(name)
    if len(bars) >= WARM:
        assert compare(bars, Decimal("0.01")) > 5


def test_random_tapes_with_ties() -> None:
    assert sum(compare(bars_of(tape(seed)), step_of(seed), "plain") for seed in range(15 * EFFORT)) > 100 * EFFORT
