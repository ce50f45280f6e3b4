"""The engine against the plain reading: the same setups, places, evidence, levels and surroundings, on every bar."""

from __future__ import annotations

from collections import Counter
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from random import Random
from typing import TYPE_CHECKING, Literal

import pytest

import demo_feed
from adapters.feeds.recorded import RecordedFeed
from scanner.analysis.door.known_setups import known
from scanner.analysis.door.setup import Chosen
from scanner.analysis.places.words import describe
from scanner.analysis.pool import Pool
from scanner.analysis.rules import Rules
from scanner.analysis.series import Series
from scanner.configuration.model import settings
from scanner.engine.series_engine import SeriesEngine
from scanner.market.bars import Bars
from scanner.market.guard import Guard
from scanner.market.instruments import Instrument
from scanner.market.price_steps import PriceSteps
from scanner.market.sessions.timetables import Timetable
from scanner.trade.rulebook import Rulebook
from tests.effort import EFFORT
from tests.laws import REAL_SERIES, bars_of, real_series, timetable
from tests.outside.plain_reading import DIRECTIONS, Reading
from tests.outside.plain_sessions import SECOND, session_numbers, sessions_of
from tests.outside.plain_setups import SETUPS
from tests.outside.plain_surroundings import DAY, Circumstances
from tests.outside.random_tapes import TAPES, step_of, tape
from tests.outside.setup_tapes import tape_of_setups
from tests.outside.spiked_tapes import spiked
from tests.outside.two_readings import Tally, called, hold, hold_places, plain_bars

if TYPE_CHECKING:
    from collections.abc import Collection

    from tests.laws import Row

DEMO = Path(demo_feed.__file__).parent
KNOWN = settings.load(DEMO / "instruments.toml")
CENT = Decimal("0.01")
PAUSE = ("doji_pause",)
WARM = 250
LAST = 10_000 * EFFORT
"""The number of bars of each demo series that are compared."""

Quality = Literal["strict", "plain"]
QUALITIES: tuple[Quality, ...] = ("strict", "plain")


def rulebook(quality: Quality, setups: Collection[str]) -> Rulebook:
    """Look for some setups; the plain reading does not know splits, so none is suspected."""
    chosen = tuple(Chosen(setup, setup.numbers()) for name, setup in known().items() if name in setups)
    return Rulebook(Rules(hold_atr=1e9, place_quality=quality), chosen)


def plain_reading(bars: Bars, step: Decimal, around: Circumstances) -> Reading:
    return Reading(plain_bars(bars), {"step": step}, around)


def compare(bars: Bars, reading: Reading, quality: Quality, setups: Collection[str], of: Timetable) -> Tally:
    """Compare a whole series with its plain reading, and the suspected bad ticks."""
    step = reading.rules.step
    assert isinstance(step, Decimal)
    engine = SeriesEngine(Instrument("TERN", PriceSteps.fixed(step)), of, rulebook(quality, setups))
    plain = reading.under({"step": step, "place_quality": quality})
    found = hold(engine.push(bars), plain, bars.close_time, setups, step)
    assert [each.open_time for each in engine.suspects] == [int(bars.open_time[each.bar]) for each in reading.spikes]
    return found


def compare_anywhere(bars: Bars, reading: Reading, quality: Quality, of: Timetable, chosen: Collection[int]) -> int:
    """Compare places and obstacles at some bars, with setups or not; give the number of places that hold."""
    rules, step = rulebook(quality, ()).rules, reading.rules.step
    assert isinstance(step, Decimal)
    plain = reading.under({"step": step, "place_quality": quality})
    series = Series(Pool(rules, (), of))
    taken, held = 0, 0
    for t in sorted(chosen):
        list(series.take(bars[taken : t + 1]))
        taken = t + 1
        for sign, direction in zip((1, -1), DIRECTIONS, strict=True):
            around = series.look(series.used - 1, sign)
            atr = float(series.pool.state["atr"][series.row])
            places = plain.places(t, direction)
            said = describe(around.places, rules, sign, atr, PriceSteps.fixed(step).nearest)
            hold_places(said, places, step, (t, direction))
            ahead = plain.obstacles_ahead(t, direction)
            assert [price for price, _ in around.obstacles] == pytest.approx(
                [float(sign * each.price) for each in ahead], rel=1e-9, abs=1e-12
            )
            for (_, words), each in zip(around.obstacles, ahead, strict=True):
                assert words in called(each, short=sign < 0), (t, direction)
            held += sum(where is not None for where in places.values())
    return held


def days_of(bars: Bars) -> Circumstances:
    return Circumstances(bars.open_time.tolist(), bars.close_time.tolist())


def quarters_of(bars: Bars, calendar: str = "none") -> Circumstances:
    """Give what is known of 15-minute bars on a calendar."""
    opens, closes = bars.open_time.tolist(), bars.close_time.tolist()
    if calendar == "none":
        return Circumstances(opens, closes, intraday=True, session_of=[open_ // DAY for open_ in opens])
    first, last = (datetime.fromtimestamp(moment // SECOND, UTC).date() for moment in (opens[0], opens[-1]))
    sessions = sessions_of(calendar, first - timedelta(days=7), last + timedelta(days=7))
    return Circumstances(
        opens,
        closes,
        intraday=True,
        sessions=sessions,
        never_closes=calendar == "24/7",
        session_of=session_numbers(opens, sessions),
    )


@pytest.mark.parametrize("name", REAL_SERIES)
def test_real_series(name: str) -> None:
    bars, of = real_series(name), timetable("1d")
    if len(bars) < WARM:
        return
    reading = plain_reading(bars, CENT, days_of(bars))
    assert compare(bars, reading, "strict", SETUPS, of).qualified > 50
    assert compare(bars, reading, "plain", PAUSE, of).qualified > 0
    for quality in QUALITIES:
        chosen = Random(name).sample(range(WARM - 1, len(bars)), 100 * EFFORT)
        assert compare_anywhere(bars, reading, quality, of, chosen) > 0


@pytest.mark.parametrize("path", sorted(DEMO.glob("*.parquet")), ids=lambda path: path.stem)
def test_the_demo_feed(path: Path) -> None:
    (recording,) = RecordedFeed.recordings([path])
    watched = KNOWN.of(recording.symbol)
    of = Timetable(watched.calendar, watched.base)
    guard = Guard(of)
    bars = Bars.joined([guard.check(raw).bars for raw in recording.bars])
    bars = bars[max(len(bars) - LAST, 0) :]
    around = quarters_of(bars, watched.calendar.name)
    reading = plain_reading(bars, watched.instrument.steps.at(Decimal(1)), around)
    for quality in QUALITIES:
        assert compare(bars, reading, quality, PAUSE, of).qualified > 0


@pytest.mark.parametrize("tens", range(TAPES // 10))
def test_random_series(tens: int) -> None:
    found, held = {quality: Tally() for quality in QUALITIES}, 0
    for seed in range(10 * tens, 10 * tens + 10):
        bars = bars_of(tape(seed))
        reading = plain_reading(bars, step_of(seed), quarters_of(bars))
        for quality in QUALITIES:
            found[quality] += compare(bars, reading, quality, PAUSE, timetable())
            chosen = Random(seed).sample(range(WARM - 1, len(bars)), 8)
            held += compare_anywhere(bars, reading, quality, timetable(), chosen)
    assert held > 0
    assert found["plain"].qualified > found["strict"].qualified > 0


@pytest.mark.parametrize("seed", range(4 * EFFORT))
def test_all_setups_on_random_series(seed: int) -> None:
    bars = bars_of(tape_of_setups(seed))
    reading = plain_reading(bars, step_of(seed), quarters_of(bars))
    for quality in QUALITIES:
        found = compare(bars, reading, quality, SETUPS, timetable())
        assert found.qualified + found.set_aside > 10


def test_suspected_bad_ticks_and_what_they_affect() -> None:
    touched, whole = Counter[str](), Counter[bool]()
    tapes: list[tuple[int, list[Row], Collection[str]]] = [
        (seed, tape(seed), PAUSE) for seed in (3, 13, 23, 90, 98, 99)
    ]
    tapes += [(seed, tape_of_setups(seed), SETUPS) for seed in (2, 5, 28)]
    for seed, rows, setups in tapes:
        bars = bars_of(spiked(rows, seed))
        reading = plain_reading(bars, step_of(seed), quarters_of(bars))
        for quality in QUALITIES:
            touched += compare(bars, reading, quality, setups, timetable()).touched
        whole += Counter(spike.whole for spike in reading.spikes)
    assert touched.keys() == {"bars", "ATR", "line", "average", "level", "turn", "averages"}
    assert min(whole.values()) > 5
