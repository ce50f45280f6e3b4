"""Charts of found setups: what they show, that they are readable, and that no name or price breaks them."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from functools import cache
from io import BytesIO
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from scanner.analysis.door.known_setups import known
from scanner.analysis.rules import Rules
from scanner.clocks import DAY
from scanner.engine.series_engine import SeriesEngine
from scanner.market.bars import Bars
from scanner.market.instruments import Instrument
from scanner.market.price_steps import PriceSteps
from scanner.present.chart import chart
from scanner.present.chart.look import HEIGHT, WIDTH
from scanner.present.chart.picture import MOST_SHOWN, picture_for, picture_of
from scanner.present.panels.macd import crosses
from scanner.present.panels.parts import spread
from scanner.present.words.setup_words import PLACES
from scanner.wording.cautions import SHORT
from scanner.wording.times import bar_time, in_zone
from tests.demo_setups import replayed, with_every_setup
from tests.effort import EFFORT
from tests.laws import bars_of, real_series, timetable
from tests.outside.plain_indicators import ema, sma
from tests.present.drawings import LARGEST, assert_all_readable, boxes, words_in

if TYPE_CHECKING:
    from collections.abc import Sequence

    from scanner.events import Event
    from scanner.present.chart.picture import Picture

KINDS = [(place, direction) for place in ("line", "average", "level", "turn") for direction in ("long", "short")]


@cache
def setups() -> list[tuple[Event, Bars, Rules]]:
    return [(event, each.before(event), each.rules) for each in replayed().values() for event in each.setups]


def of_kind(place: str, direction: str, number: int = 0) -> Picture:
    """Make the picture of one of the demo feed's setups of a kind."""
    kind = {"place": place, "direction": direction}
    found = [each for each in setups() if kind.items() <= each[0].data.items()]
    event, bars, rules = found[number % len(found)]
    return picture_for(bars, event, rules, "Europe/Berlin")


@pytest.mark.parametrize(("place", "direction"), KINDS)
def test_a_chart_names_every_level_once_and_can_be_read(place: str, direction: str) -> None:
    for number in range(EFFORT):
        picture = of_kind(place, direction, number)
        drawn = chart.compose(picture)
        assert_all_readable(drawn)
        assert picture.setup is not None
        levels, data = picture.setup["levels"], picture.setup
        wanted = [f"stop {levels['stop']}", f"entry {data['entries']['break']['price']}", f"or early {levels['early']}"]
        wanted += [f"{times}R {price}" for times, price in enumerate(levels["objectives"], start=1)]
        wanted += [f"at {place} {data['places'][place]['price']}"]
        wanted += [f"obstacle {levels['obstacle']}"] if levels["obstacle"] else []
        wanted += [f"or average {levels['average']}"] if levels["average"] else []
        words = words_in(drawn)
        assert sorted(text.lstrip("↑↓ ") for text, _ in boxes(drawn, "level")) == sorted(wanted)
        near = [text.lstrip("↑↓ ") for text, _ in boxes(drawn, "near")]
        assert set(near) == {wanted[0], wanted[1]}, "the close-up names entry and stop"
        assert f"{data['instrument']} 15m {'▲' if direction == 'long' else '▼'} {direction}" in words
        assert f"doji pause at {PLACES[place]}, evidence" in " ".join(words)
        assert {("A", "first drive"), ("D", "doji"), ("B", "second drive")} <= set(pairwise(words)), "explained"
        assert sorted(word for word in words if word in {"A", "D", "B"}) == list("AABBDD"), "and at its bar"
        assert SHORT in " ".join(words)


def test_labels_are_in_the_order_of_their_prices() -> None:
    for event, bars, rules in setups()[::40]:
        labels = boxes(chart.compose(picture_for(bars, event, rules, "UTC")), "level")
        prices = [float(text.split()[-1]) for text, _ in sorted(labels, key=lambda each: each[1][1])]
        assert prices == sorted(prices)


@pytest.mark.parametrize(("place", "direction"), KINDS[::4])
def test_a_png_is_small_and_twice_as_wide_as_a_phone(place: str, direction: str) -> None:
    picture = of_kind(place, direction)
    drawn = chart.draw(picture)
    assert len(drawn) <= LARGEST
    assert Image.open(BytesIO(drawn)).size == (WIDTH, HEIGHT) == (780, 1240)
    assert chart.draw(picture) == drawn


def test_rising_and_falling_bars_differ_in_grey() -> None:
    """A rising body is as light as the paper and a falling one dark; hollow and full need no colour."""
    up, down = bars_of([(1, 3, 1, 3, 1)] * 3), bars_of([(3, 3, 1, 1, 1)] * 3)
    dark = []
    for bars in (up, down):
        image = Image.open(BytesIO(chart.draw(picture_of(bars, engine("0.01"), "UTC", None)))).convert("L")
        dark.append(float((np.asarray(image)[850:1150] < 90).mean()))
    assert dark[1] > 3 * dark[0]


def test_a_day_has_the_same_date_on_a_chart_as_in_a_table() -> None:
    plain = bars_of([(1, 3, 1, 3, 1)] * 3)
    opens = np.arange(19_800, 19_803) * DAY  # midnight UTC, which is the evening before in New York
    bars = replace(plain, open_time=opens, close_time=opens + DAY)
    picture = replace(picture_of(plain, engine("0.01"), "America/New_York", None), timeframe="1d", bars=bars)
    told = [in_zone(time, picture.zone).date().isoformat() for time in picture.times.tolist()]
    assert told == [bar_time(opened, opened + DAY, picture.zone, picture.timeframe) for opened in opens.tolist()]
    assert told[-1] == "2024-03-20"


@pytest.mark.parametrize("name", sorted(known()))
def test_each_setup_has_its_own_letters_and_can_be_read(name: str) -> None:
    each = with_every_setup()
    events = [event for event in each.setups + each.set_aside if event.data["setup"] == name]
    for event in events[:EFFORT]:
        drawn = chart.compose(picture_for(each.before(event), event, each.rules, "UTC"))
        assert_all_readable(drawn)
        words = words_in(drawn)
        assert {(bar["letter"], bar["name"]) for bar in event.data["bars"]} <= set(pairwise(words))


def test_the_marked_cross_is_the_one_that_the_rule_counts() -> None:
    """The rule ``momentum`` says how many bars ago the MACD line crossed to the setup's side."""
    for event, bars, rules in setups()[::20]:
        picture = picture_for(bars, event, rules, "UTC")
        bar, up = crosses(picture)[-1]
        assert len(picture) - 1 - bar == event.data["rules"]["momentum"]["measured"]
        assert up == (event.data["direction"] == "long")
        ago = len(picture) - 1 - bar
        said = "at the last bar" if not ago else "1 bar ago" if ago == 1 else f"{ago} bars ago"
        assert f"crossed {'up' if up else 'down'} {said}" in words_in(chart.compose(picture))


def test_indicators_are_those_of_a_plain_reading() -> None:
    event, bars, rules = setups()[5]
    picture = picture_for(bars, event, rules, "UTC")
    closes = [Decimal(repr(float(close))) for close in bars.close]
    macd = [fast - slow for fast, slow in zip(ema(closes, 12), ema(closes, 26), strict=True)]
    plain: tuple[Sequence[Decimal | None], ...] = (sma(closes, 50), sma(closes, 200), macd, ema(macd, 9))
    for drawn, column in zip((picture.fast, picture.slow, picture.macd, picture.signal), plain, strict=True):
        np.testing.assert_allclose(
            drawn, [float(value or 0) for value in column[-len(picture) :]], rtol=1e-9, atol=1e-9
        )
    np.testing.assert_array_equal(picture.bars.close, bars.close[-len(picture) :])


def test_a_line_goes_through_its_swing_points_to_the_reported_price() -> None:
    for number in range(20):
        picture = of_kind("line", "long", number)
        assert picture.mark is not None
        assert picture.setup is not None
        (i, start), (j, end) = picture.mark.points
        for bar, price in picture.mark.points:
            assert bar < 0 or price == picture.bars.low[bar]
        bottom, low = picture.mark.bottom
        assert low == picture.bars.low[bottom]
        assert start + (end - start) / (j - i) * (bottom - i) == pytest.approx(
            picture.mark.price, abs=float(picture.setup["step"]) * 0.51
        )


def test_a_level_has_the_points_that_were_counted() -> None:
    for direction in ("long", "short"):
        for number in range(20):
            picture = of_kind("level", direction, number)
            assert picture.mark is not None
            assert picture.setup is not None
            assert len(picture.mark.points) == picture.setup["places"]["level"]["measured"]
            assert all(
                bar < 0 or price in (picture.bars.low[bar], picture.bars.high[bar])
                for bar, price in picture.mark.points
            )


def test_later_bars_do_not_change_the_chart() -> None:
    each = replayed()["TERNFERRY"]
    event = each.setups[0]
    alone, with_more = (chart.chart_for(each.before(event, more), event, each.rules, "UTC") for more in (0, 50))
    assert alone == with_more
    with pytest.raises(ValueError, match="is not among the bars"):
        chart.chart_for(each.before(event)[:-1], event, each.rules, "UTC")


def engine(step: str) -> SeriesEngine:
    return SeriesEngine(Instrument("GANNET", PriceSteps.fixed(Decimal(step))), timetable("1d"))


@pytest.mark.parametrize(
    ("factor", "step"), [(1e-8, "0.0000000001"), (1e-3, "0.00001"), (40.0, "0.5"), (-1.0, "0.01"), (-1e-4, "0.000001")]
)
def test_any_scale_of_prices_can_be_read(factor: float, step: str) -> None:
    """The S&P 500, 1999 to 2018 (arch.data.sp500 of the econometrics library arch), in other units and mirrored."""
    real = real_series("sp500")
    prices = [np.round(column * factor / float(step)) * float(step) for column in real.columns()[2:6]]
    prices = [np.array([float(f"{price:.12g}") for price in column]) for column in prices]
    open_, high, low, close = prices if factor > 0 else [prices[0], prices[2], prices[1], prices[3]]
    bars = Bars(real.open_time, real.close_time, open_, high, low, close, real.volume)
    found = [event for event in engine(step).push(bars) if event.kind == "setup.qualified"]
    assert found
    for event in found[:2]:
        assert_all_readable(chart.compose(picture_for(bars, event, Rules(), "UTC")))


@pytest.mark.parametrize("count", [1, 2, 3, 40, 300])
def test_few_or_hardly_moving_bars_are_drawn(count: int) -> None:
    for tiny in (0.0, 1e-5):
        bars = bars_of([(60_000, 60_000 + tiny, 60_000, 60_000, 1)] * count)
        picture = picture_of(bars, engine("0.00001"), "UTC", None)
        assert picture.setup is None
        assert len(picture) == min(count, 72)
        drawn = chart.compose(picture)
        words = words_in(drawn)
        assert not {"A", "D", "B"} & set(words), "no letters where no setup stood"
        assert "volume" in words
        assert_all_readable(drawn)
    assert len(chart.draw(picture)) < LARGEST


def test_after_a_split_only_the_bars_since_are_shown() -> None:
    before, after = [(100.0, 101.0, 99.0, 100.0, 1.0)] * 300, [(50.0, 50.5, 49.5, 50.0, 1.0)] * 30
    picture = picture_of(bars_of([*before, *after]), engine("0.01"), "UTC", None)
    assert len(picture) == len(after) < MOST_SHOWN
    assert np.isnan(picture.fast).all()


@given(st.lists(st.floats(0, 100), max_size=12).map(sorted), st.floats(0.1, 8))
def test_labels_are_moved_apart_as_little_as_possible(wanted: list[float], gap: float) -> None:
    placed = spread(wanted, gap, 0, 100)
    assert all(b - a >= gap - 1e-9 for a, b in pairwise(placed))
    assert all(-1e-9 <= place <= 100 + 1e-9 for place in placed)
    if all(b - a >= gap for a, b in pairwise(wanted)):
        assert placed == pytest.approx(wanted)
