"""The engine against the plain reading: the same setups, places, evidence and levels, on every bar looked at."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

import demo_feed
from adapters.feeds.recorded import RecordedFeed
from scanner import settings
from scanner.analysis.rules import Rules
from scanner.engine import SeriesEngine
from scanner.market.bars import Bars
from scanner.market.guard import Guard
from scanner.market.instruments import Instrument
from scanner.market.price_steps import PriceSteps
from scanner.market.sessions import Timetable
from scanner.market.timeframes import Timeframe
from tests.laws import REAL_SERIES, bars_of, real_series
from tests.outside.plain_reading import Finding, read
from tests.outside.plain_terms import Bar
from tests.outside.random_tapes import step_of, tape

if TYPE_CHECKING:
    from collections.abc import Sequence

DEMO = Path(demo_feed.__file__).parent
KNOWN = settings.load(DEMO / "instruments.toml")
RULES = Rules(hold_atr=1e9)  # the plain reading knows nothing of splits
RENAMED = {"doji_tight": "doji_quiet", "beyond_fast_average": "beyond_fast", "beyond_slow_average": "beyond_slow"}


def plain_bars(bars: Bars) -> list[Bar]:
    """Give the bars in the decimals that they were written as."""
    columns = (bars.open, bars.high, bars.low, bars.close, bars.volume)
    return [Bar.of(*map(float, row)) for row in zip(*columns, strict=True)]


def engine_says(bars: Bars, step: Decimal) -> list[dict[str, Any]]:
    engine = SeriesEngine(Instrument("TERN", PriceSteps.fixed(step)), Timeframe.named("15m"), RULES)
    bar_numbers = {int(time): number for number, time in enumerate(bars.close_time)}
    return [
        event.data | {"t": bar_numbers[event.time]} for event in engine.push(bars) if event.kind == "setup.qualified"
    ]


def price(text: str | None) -> Decimal | None:
    return None if text is None else Decimal(text)


def assert_same(ours: dict[str, Any], plain: Finding, step: Decimal) -> None:
    """Hold one setup against its second reading."""
    assert ours["place"] == plain.safest
    steps = PriceSteps.fixed(step)
    for name, where in plain.places.items():
        assert ours["places"][name]["verdict"] == (where is not None), name
        if where is not None:
            # Both are rounded to the step; what lies between two steps may go either way by a hair.
            assert abs(Decimal(ours["places"][name]["price"]) - steps.nearest(where)) <= step, name
            assert abs(Decimal(ours["places"][name]["price"]) - where) <= step * Decimal("0.5001"), name
    for name, rule in plain.rules.items():
        assert ours["rules"][name]["verdict"] == rule.verdict, name
        if rule.measured is not None and name != "traded":
            assert ours["rules"][name]["measured"] == pytest.approx(float(rule.measured), rel=1e-7), name
    for name, point in ours["evidence"].items():
        other = plain.evidence[RENAMED.get(name, name)]
        assert point["verdict"] == bool(other.verdict), name
    assert (ours["evidence_points"], ours["evidence_total"]) == plain.points

    levels = plain.levels
    assert {name: price(ours["levels"][name]) for name in ("early", "break", "average")} == levels.entries
    assert price(ours["levels"]["stop"]) == levels.stop
    assert price(ours["levels"]["obstacle"]) == levels.obstacle
    for style, risk in levels.risk.items():
        entry = ours["entries"][style]
        assert [Decimal(goal) for goal in entry["objectives"]] == list(levels.objectives[style])
        if risk > 0:
            assert price(entry["risk"]) == risk
        room = levels.room[style]
        assert (entry["room"] is None) == (room is None)
        if room is not None:
            assert Decimal(entry["room"]) == round(room, 2)
    assert ours["exit_plan"]["style"] == levels.exit_plan


def compare(bars: Bars, step: Decimal) -> int:
    """Hold a whole series against its second reading; gives the number of setups."""
    ours = engine_says(bars, step)
    plain = read(plain_bars(bars), {"step": step})
    assert [(found["t"], found["direction"]) for found in ours] == [(found.t, found.direction) for found in plain]
    for found, other in zip(ours, plain, strict=True):
        assert_same(found, other, step)
    return len(ours)


@pytest.mark.parametrize("name", REAL_SERIES)
def test_real_series(name: str) -> None:
    bars = real_series(name)
    found = compare(bars, Decimal("0.01"))
    assert found > 0 or len(bars) < 250


@pytest.mark.parametrize("path", sorted(DEMO.glob("*.parquet")), ids=lambda path: path.stem)
def test_the_demo_feed(path: Path) -> None:
    (recording,) = RecordedFeed.recordings([path])
    watched = KNOWN.of(recording.symbol)
    guard = Guard(Timetable(watched.calendar, watched.base))
    bars = Bars.joined([guard.check(raw).bars for raw in recording.bars])
    assert compare(bars, watched.instrument.steps.at(Decimal(1))) > 10


@pytest.mark.parametrize("tens", range(20))
def test_two_hundred_random_series(tens: int) -> None:
    seeds: Sequence[int] = range(10 * tens, 10 * tens + 10)
    assert sum(compare(bars_of(tape(seed)), step_of(seed)) for seed in seeds) > 0
