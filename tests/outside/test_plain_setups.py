"""The nine setups: the plain reading against hand-made tapes, and the engine against the plain reading."""

from __future__ import annotations

from decimal import Decimal, localcontext
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

import demo_feed
from adapters.feeds.recorded import RecordedFeed
from scanner.analysis.door.known_setups import known
from scanner.analysis.door.setup import Chosen
from scanner.analysis.fits import weighed_alone
from scanner.analysis.pool import Pool
from scanner.analysis.rules import Rules
from scanner.analysis.series import Series
from scanner.configuration.model import settings
from scanner.market.bars import Bars
from scanner.market.guard import Guard
from scanner.market.sessions.timetables import Timetable
from scanner.trade.rulebook import Rulebook
from tests.effort import EFFORT
from tests.laws import REAL_SERIES, all_setups, bars_of, real_series, timetable
from tests.outside.hand_setups import EXAMPLES, LEVELS, THRESHOLDS, tape_of
from tests.outside.plain_indicators import Tape
from tests.outside.plain_setups import SETUPS, Setup, doji_pause
from tests.outside.plain_terms import DIGITS, Bar
from tests.outside.plain_terms import Rules as PlainRules
from tests.outside.random_tapes import TAPES, step_of, tape
from tests.outside.setup_tapes import tape_of_setups

if TYPE_CHECKING:
    from tests.outside.hand_tapes import Change

DEMO = Path(demo_feed.__file__).parent
LAST = 3_000 * EFFORT
"""The number of bars of each demo series that are compared."""
RULEBOOK = all_setups(Rules(hold_atr=1e9))  # the plain reading does not know splits
PAUSE = known()["doji_pause"]
WIDER = Rulebook(RULEBOOK.rules, (Chosen(PAUSE, PAUSE.numbers(pause="small_bar")),))
WIDER_PLAIN = {
    "doji_pause": SETUPS["doji_pause"]._replace(holds=partial(doji_pause, rules=PlainRules(pause="small_bar")))
}

Found = dict[tuple[int, str, int], tuple[float, float]]
"""Bar, setup and sign of each setup that holds except for its place, with trigger and stop base."""


def plain_says(bars: list[Bar], setups: dict[str, Setup] = SETUPS) -> Found:
    found = {}
    with localcontext(prec=DIGITS):
        for sign in (1, -1):
            tape = Tape(bars if sign > 0 else [bar.reflected() for bar in bars])
            for t in range(RULEBOOK.rules.warm_up - 1, len(bars)):
                for name, setup in setups.items():
                    if setup.holds(tape, t):
                        levels = setup.trigger(tape, t), setup.base(tape, t)
                        found[t, name, sign] = (float(sign * levels[0]), float(sign * levels[1]))
    return found


def engine_says(bars: Bars, timeframe: str, rulebook: Rulebook) -> Found:
    series = Series(Pool(rulebook.rules, rulebook.setups, timetable(timeframe)))
    bar_numbers = {int(time): number for number, time in enumerate(bars.close_time)}
    found = {}
    for stop in series.take(bars):
        for which, spots in stop.setups:
            levels = weighed_alone(series.pool, which, spots).levels
            for (_, index, sign), level in zip(spots.tolist(), levels, strict=True):
                t = bar_numbers[int(series.times[1, index])]
                found[t, rulebook.setups[which].setup.name, sign] = (level["trigger"], level["base"])
    return found


def compare(
    bars: Bars, timeframe: str = "15m", rulebook: Rulebook = RULEBOOK, setups: dict[str, Setup] = SETUPS
) -> Found:
    """Compare a whole series with its plain reading, and give the setups found."""
    columns = (bars.open, bars.high, bars.low, bars.close, bars.volume)
    plain = plain_says([Bar.of(*map(float, row)) for row in zip(*columns, strict=True)], setups)
    engine = engine_says(bars, timeframe, rulebook)
    assert engine.keys() == plain.keys()
    for key, levels in plain.items():
        assert engine[key] == pytest.approx(levels, rel=1e-9), key
    return plain


def names(found: Found) -> set[str]:
    return {name for _, name, _ in found}


def upside_down(bars: list[Bar]) -> list[Bar]:
    return [Bar(200 - bar.open, 200 - bar.low, 200 - bar.high, 200 - bar.close, bar.volume) for bar in bars]


def of_decimals(bars: list[Bar]) -> Bars:
    return bars_of([tuple(map(float, (bar.open, bar.high, bar.low, bar.close, bar.volume or 0))) for bar in bars])  # type: ignore[misc]  # a bar has five numbers


def test_there_is_a_plain_reading_of_every_setup() -> None:
    assert SETUPS.keys() == {chosen.setup.name for chosen in RULEBOOK.setups} == EXAMPLES.keys()


@pytest.mark.parametrize("name", SETUPS)
def test_an_example_holds_both_ways_up(name: str) -> None:
    bars = tape_of(name)
    last = len(bars) - 1
    trigger, base = map(float, LEVELS[name])
    assert compare(of_decimals(bars))[last, name, 1] == (trigger, base)
    mirrored = compare(of_decimals(upside_down(bars)))
    assert mirrored[last, name, -1] == pytest.approx((200 - trigger, 200 - base))


@pytest.mark.parametrize(("name", "threshold", "inside", "outside"), THRESHOLDS)
def test_a_threshold(name: str, threshold: str, inside: Change, outside: Change) -> None:
    for change, holds in ((inside, True), (outside, False)):
        bars = tape_of(name, change)
        for seen, sign in ((bars, 1), (upside_down(bars), -1)):
            assert ((len(bars) - 1, name, sign) in compare(of_decimals(seen))) == holds, threshold


def test_the_low_of_a_large_outside_bar_is_too_far() -> None:
    # A bar of 6 makes the ATR (26 + 6) / 14 = 2.2857, and the close of 104 is 5.5 above the low.
    bars = tape_of("outside_bar", {0: "99 104.5 98.5 104"})
    _, base = plain_says(bars)[len(bars) - 1, "outside_bar", 1]
    assert base == pytest.approx(float(104 - 2 * Decimal(32) / 14))


@pytest.mark.parametrize("name", REAL_SERIES)
def test_real_series(name: str) -> None:
    bars = real_series(name)
    found = compare(bars, "1d")
    assert len(names(found)) >= 8 or len(bars) < 1000


@pytest.mark.parametrize("name", ["sp500", "MSFT"])
def test_the_wider_pause_on_real_series(name: str) -> None:
    bars = real_series(name)
    wider = compare(bars, "1d", WIDER, WIDER_PLAIN)
    assert len(wider) > sum(name == "doji_pause" for _, name, _ in engine_says(bars, "1d", RULEBOOK))


def test_the_wider_pause_on_random_series() -> None:
    for seed in range(0, 200, 50 // EFFORT):
        compare(bars_of(tape(seed)), "15m", WIDER, WIDER_PLAIN)


@pytest.mark.parametrize("path", sorted(DEMO.glob("*.parquet")), ids=lambda path: path.stem)
def test_the_demo_feed(path: Path) -> None:
    (recording,) = RecordedFeed.recordings([path])
    watched = settings.load(DEMO / "instruments.toml").of(recording.symbol)
    guard = Guard(Timetable(watched.calendar, watched.base))
    assert compare(Bars.joined([guard.check(raw).bars for raw in recording.bars])[-LAST:])


@pytest.mark.parametrize("tens", range(TAPES // 10))
def test_random_series(tens: int) -> None:
    found = [names(compare(bars_of(tape_of_setups(seed)))) for seed in range(10 * tens, 10 * tens + 10)]
    assert set().union(*found) == SETUPS.keys()


def test_a_random_tape_is_a_tape() -> None:
    assert repr(tape_of_setups(7)) == repr(tape_of_setups(7))
    for seed in range(10 * EFFORT):
        bars = [Bar.of(*row) for row in tape_of_setups(seed)]
        assert 600 <= len(bars) <= 1500
        for bar in bars:
            assert bar.low <= min(bar.open, bar.close) <= max(bar.open, bar.close) <= bar.high
            assert all(price % step_of(seed) == 0 for price in (bar.open, bar.high, bar.low, bar.close))
