"""Suspected bad ticks: which bars are, how they are described, and what they affect, just inside and just outside."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from scanner.analysis.door.known_setups import known
from scanner.analysis.door.setup import Chosen
from scanner.analysis.indicators.spikes import Spike
from scanner.analysis.places import structure
from scanner.analysis.places.touched import touched
from scanner.analysis.pool import Pool
from scanner.analysis.rules import Rules
from scanner.trade.rulebook import Rulebook
from tests.laws import bars_of, engine, timetable

if TYPE_CHECKING:
    from typing import Any

    from scanner.engine.series_engine import SeriesEngine
    from tests.laws import Row

DOJI = known()["doji_pause"]
LOOKS_BACK = 3
"""How many bars before its last the rules of the doji pause can look back at."""


def quiet(number: int) -> Row:
    """Give one of bars that close at 100 and reach from 99 to 101: the ATR is 2."""
    return 100 + (1 if number % 2 == 0 else -1), 101.0, 99.0, 100.0, 100.0


def watching(rows: list[Row], **rules: float) -> SeriesEngine:
    """Give an engine that has seen some bars, and looks for doji pauses; no jump is a split to it."""
    rulebook = Rulebook(Rules(hold_atr=1e9, **rules), (Chosen(DOJI, DOJI.numbers()),))
    watcher = engine(rulebook=rulebook)
    watcher.push(bars_of(rows))
    return watcher


def suspected(last: Row, before: dict[int, Row] | None = None, **rules: float) -> list[str]:
    """Say what is odd about a bar after quiet ones, of which some, counted back from it, are others."""
    rows = [quiet(number) for number in range(60)] + [last]
    for back, row in (before or {}).items():
        rows[-1 - back] = row
    told = watching(rows, **rules).suspects
    return [each.text for each in told if each.open_time == int(bars_of(rows).open_time[-1])]


def reflected(row: Row) -> Row:
    open_, high, low, close, volume = row
    return 200 - open_, 200 - low, 200 - high, 200 - close, volume


CALM = dict.fromkeys(range(1, 61), (100.0, 100.0, 100.0, 100.0, 100.0))


@pytest.mark.parametrize(
    ("row", "before", "text"),
    [
        ((100, 121.01, 99, 100), {}, "its high 121.01 lies 10.0 ATR above the 14 bars before it, and above its own"),
        ((100, 121, 99, 100), {}, ""),
        # A close a little beyond the bars before excuses no wick, but the wick counts from there.
        ((100, 123.01, 99, 103), {}, "its high 123.01 lies 10.0 ATR above the 14 bars before it, and above its own"),
        ((100, 123, 99, 103), {}, ""),
        ((121.01, 122, 121.01, 121.5), {}, "its open 121.01 and close 121.5 lie 10.0 ATR above the 14 bars before it"),
        ((121, 122, 121, 121.5), {}, ""),
        ((100, 140, 99, 140), {}, ""),  # it goes and stays
        ((140, 140, 99, 100), {}, ""),
        # The 14 bars before it count, one of 103 among them; its range of 4 makes the ATR a little larger.
        ((100, 121.5, 99, 100), {15: (100, 102, 99, 100)}, "its high 121.5 lies"),
        ((100, 121.5, 99, 100), {14: (100, 102, 99, 100)}, ""),
        ((100, 121.5, 99, 100), CALM, ""),  # bars that do not move are not a measure
    ],
)
def test_a_bar_is_suspected_beyond_ten_atr_and_not_at_them(
    row: tuple[float, ...], before: dict[int, tuple[float, ...]], text: str
) -> None:
    bar, earlier = (*row, 100.0), {back: (*each[:4], 100.0) for back, each in before.items()}
    found = suspected(bar, earlier)  # type: ignore[arg-type]  # a row has four prices
    assert found == [] if not text else found[0].startswith(text)
    below = suspected(reflected(bar), {back: reflected(each) for back, each in earlier.items()})  # type: ignore[arg-type]  # as above
    assert len(below) == len(found)
    assert all("below" in each and "above" not in each for each in below)


def test_nothing_is_part_of_an_atr_of_zero() -> None:
    assert not Spike(number=0, true_range=5.0, whole=True).makes_up(0.0, 3, 1)


def test_the_first_bar_of_a_series_is_not_suspected_whatever_its_memory_held_before() -> None:
    pool = Pool(Rules(atr_length=1), (), timetable("1d"))
    row = pool.add()
    pool.columns[row] = pool.deep[row] = 1.0  # as another series left it
    pool.clear(row)
    bars = bars_of([(1000.0, 1200.0, 900.0, 1100.0, 1.0)])
    (stop,) = pool.take(np.array([row]), np.array([1]), bars)
    assert stop.spiked == []


def test_how_far_is_a_setting() -> None:
    assert suspected((100, 111.01, 99, 100, 100), spike_atr=5)
    assert not suspected((100, 111, 99, 100, 100), spike_atr=5)
    assert not suspected((100, 121.01, 99, 100, 100), spike_atr=10.1)


WICK, AWAY = (100.0, 99.0 + 22.01, 99.0, 100.0, 100.0), (122.0, 122.5, 121.5, 122.0, 100.0)


def after_a_spike(back: int, spike: Row = WICK) -> SeriesEngine:
    """Give an engine at a quiet bar some bars after a spike."""
    rows = [quiet(number) for number in range(330)]
    rows[-1 - back] = spike
    return watching(rows)


def how_touched(watcher: SeriesEngine, **places: Any) -> str:  # noqa: ANN401 - fields of a record
    """Say how the spike touches a doji pause at the last bar, where some places hold, all long."""
    found = np.zeros(1, dtype=structure.PLACES)[0]
    for name, value in places.items():
        found[name] = value
    series = watcher.series
    return touched(series.pool, series.row, series.used - 1, found, DOJI)


@pytest.mark.parametrize(
    ("back", "words"),
    [
        (0, "its last bar is a suspected bad tick"),
        (1, "a suspected bad tick 1 bar earlier is among the bars that its rules can look back at"),
        (LOOKS_BACK, "a suspected bad tick 3 bars earlier is among the bars that its rules can look back at"),
        (LOOKS_BACK + 1, "a suspected bad tick 4 bars earlier makes up 38 % of its ATR"),
        # Its true range is 22.01, of which the part 22.01/14 · (13/14)^26 = 0.2289 is left in an ATR of
        # 2 + 20.01/14 · (13/14)^26 = 2.2081 after 26 bars: 10.4 %. After 27 it is 0.2126 in 2.1932: 9.7 %.
        (26, "a suspected bad tick 26 bars earlier makes up 10 % of its ATR"),
        (27, ""),
    ],
)
def test_bars_and_atr_are_touched_until_little_of_it_is_left(back: int, words: str) -> None:
    watcher = after_a_spike(back)
    assert how_touched(watcher) == words
    assert watcher.judge_last()[1].set_aside.startswith(words)  # of the short side, on which no turn rests on it


@pytest.mark.parametrize(
    ("name", "inside", "outside", "spike", "more"),
    [
        ("line", 40, 39, WICK, {"line_from": 40, "line_to": 30}),
        ("line", 30, 31, WICK, {"line_from": 40, "line_to": 30}),
        ("level", 30, 31, WICK, {"level_from": 50, "level_to": 30}),
        ("level", 50, 51, WICK, {"level_from": 50, "level_to": 30, "bottom_price": 98.5, "tolerance": 0.5}),
        ("average", 29, 30, WICK, {"bottom": 9, "average_length": 50}),
        ("average", 59, 60, AWAY, {"bottom": 9, "average_length": 50}),
        ("average", 61, 62, AWAY, {"bottom": 12, "average_length": 50}),
        ("turn", 59, 60, WICK, {}),
    ],
)
def test_a_place_is_touched_where_it_rests_on_the_bar(
    name: str, inside: int, outside: int, spike: Row, more: dict[str, float]
) -> None:
    words = f"a suspected bad tick {inside} bars earlier is one of the bars that its place, the {name}, rests on"
    assert how_touched(after_a_spike(inside, spike), **{name: True}, **more) == words
    assert "rests on" not in how_touched(after_a_spike(outside, spike), **{name: True}, **more)
    assert "rests on" not in how_touched(after_a_spike(inside, spike), **more)  # a place that does not hold


def test_a_level_rests_on_a_bar_between_its_points_that_is_one_of_them() -> None:
    watcher, level = after_a_spike(40), {"level": True, "level_from": 50, "level_to": 30, "tolerance": 0.5}
    assert "the level, rests on" in how_touched(watcher, **level, bottom_price=98.5)
    assert how_touched(watcher, **level, bottom_price=98.49) == ""
    assert "the level, rests on" in how_touched(watcher, **level, bottom_price=121.51)
    assert how_touched(watcher, **level, bottom_price=121.52) == ""


def test_averages_are_touched_where_they_would_lie_otherwise_without_it() -> None:
    # Closes at 100 make every average 100; a close of 122 lifts that of 200 bars above the last close, and drops out.
    # Of its 15 bars before the last ten, too: until then the average goes up or down by it.
    for back, is_touched in ((100, True), (199, True), (209, True), (210, False)):
        watcher = after_a_spike(back, AWAY)
        words = f"a suspected bad tick {back} bars earlier puts its averages out of order"
        assert how_touched(watcher) == (words if is_touched else "")
    assert how_touched(after_a_spike(100, WICK)) == ""  # its close is where it should be


def test_averages_that_lie_the_same_way_without_it_are_not_touched() -> None:
    rows = [tuple(price + number / 10 for price in quiet(number)[:4]) for number in range(330)]
    rising: list[Row] = [(*row, 100.0) for row in rows]  # type: ignore[misc]  # a row has four prices
    rising[-101] = tuple(price + 40 for price in rising[-101])  # type: ignore[assignment]  # as above
    watcher = watching(rising)
    assert len(watcher.suspects) == 1
    assert how_touched(watcher) == ""
