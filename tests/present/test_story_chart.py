"""Charts of stories: events are shown at their bars, and charts of any length are readable."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, replace
from functools import cache
from io import BytesIO
from typing import TYPE_CHECKING

import numpy as np
import pytest
from matplotlib.patches import StepPatch
from PIL import Image

from scanner.events import rfc3339
from scanner.market.bars import Bars
from scanner.present.panels.story import risk_ticks
from scanner.present.story_chart.chart import compose_story, draw_story_chart, story_chart_for
from scanner.present.story_chart.picture import BARS_AT_END, COLUMNS, story_picture_for
from scanner.trade.following import Follow
from scanner.wording.cautions import SHORT
from tests.adapters.samples import HOSTILE_NAMES
from tests.demo_setups import ENOUGH, replayed
from tests.effort import EFFORT
from tests.laws import engine, many_found
from tests.present.drawings import LARGEST, assert_all_readable, boxes, words_in

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from scanner.analysis.rules import Rules
    from scanner.event_data import StoryData
    from scanner.events import Event
    from scanner.present.story_chart.picture import StoryPicture

KINDS = [
    (direction, style, state)
    for direction in ("long", "short")
    for style, state in (("ride", "left_on_pressure"), ("ride", "stopped"), ("quick", "left"), ("quick", "stopped"))
]
HALFWAY = Follow(half_at=1, to_entry_at=1)


@dataclass(frozen=True)
class Told:
    """A story: its events, and all bars of its series."""

    events: list[Event]
    bars: Bars
    rules: Rules

    @property
    def last(self) -> StoryData:
        data: StoryData = self.events[-1].data
        return data

    @property
    def at(self) -> int:
        return int(np.searchsorted(self.bars.close_time, self.events[0].time))

    @property
    def end(self) -> int:
        return int(np.searchsorted(self.bars.close_time, self.events[-1].time))

    def until(self, after: int = 0) -> Bars:
        """Give the bars up to its end, and some after it."""
        return self.bars[max(self.at - ENOUGH, 0) : self.end + 1 + after]

    def picture(self) -> StoryPicture:
        return story_picture_for(self.until(), self.events, self.rules, "Europe/Berlin")

    def ended(self, end: int, **otherwise: object) -> Told:
        """End it at another bar, with other data in the last event."""
        bar = self.bars[end : end + 1]
        data = {"bar_open": rfc3339(int(bar.open_time[0])), "bar_close": rfc3339(int(bar.close_time[0])), **otherwise}
        last = replace(self.events[-1], time=int(bar.close_time[0]), data=self.last | data)
        return replace(self, events=[*self.events[:-1], last])


def stories_in(events: Sequence[Event], bars: Bars, rules: Rules) -> list[Told]:
    by_thread: Mapping[str, list[Event]] = defaultdict(list)
    closes = set(bars.close_time.tolist())
    for event in events:
        if event.thread:
            by_thread[event.thread].append(event)
    return [
        Told(told, bars, rules)
        for told in by_thread.values()
        if told[-1].facts.ends and {each.time for each in told} <= closes
    ]


@cache
def stories() -> list[Told]:
    return [
        told
        for each in replayed().values()
        for told in stories_in(
            [event for event in each.events if event.data["timeframe"] == each.timeframe], each.bars, each.rules
        )
    ]


@cache
def with_half() -> list[Told]:
    """Give stories that leave half at 1 R and move the stop to the entry there."""
    bars, rulebook = replayed()["TERNFERRY"].bars, replace(many_found(), follow=HALFWAY)
    found = stories_in(engine(rulebook=rulebook).push(bars), bars, rulebook.rules)
    return [told for told in found if told.last["half_exit"] is not None]


def of_kind(direction: str, style: str, state: str) -> list[Told]:
    wanted = {"direction": direction, "exit_style": style, "state": state}
    return [told for told in stories() if wanted.items() <= told.last.items()]


def a_ride() -> Told:
    """Give one with a raised stop and a sign of pressure."""
    kinds = {"setup.stop_raised", "setup.pressure"}
    return next(told for told in stories() if kinds <= {event.kind for event in told.events})


def stop_path(picture: StoryPicture) -> tuple[list[float], list[float]]:
    """Read the step line from the drawn chart: its edges and its prices."""
    (path,) = compose_story(picture).findobj(StepPatch)
    assert isinstance(path, StepPatch)
    values, edges, _ = path.get_data()
    return list(edges), list(values)


@pytest.mark.parametrize(("direction", "style", "state"), KINDS)
def test_a_story_names_its_prices_its_result_and_its_end(direction: str, style: str, state: str) -> None:
    for told in of_kind(direction, style, state)[:EFFORT]:
        picture, data = told.picture(), told.last
        drawn = compose_story(picture)
        assert_all_readable(drawn)
        words = words_in(drawn)
        result = f"{float(data['r'] or 'nan'):+.2f} R".replace("-", "−")
        arrow = "▲" if direction == "long" else "▼"
        assert f"{data['instrument']} 15m {arrow} {direction}, {result}" in words
        wanted = [f"▶ entry {data['entry']}", f"◀ exit {data['exit']}", f"stop {data['stop']}"]
        wanted += [f"first stop {data['first_stop']}"] * (data["stop"] != data["first_stop"])
        wanted += [f"planned {data['planned_entry']}"] * (data["entry"] != data["planned_entry"])
        labels = [text.lstrip("↑↓ ") for text, _ in boxes(drawn, "level")]
        assert sorted(labels) == sorted(wanted)
        aside = ", set aside" if data["set_aside"] else ""
        assert any(word.startswith(f"doji pause{aside}: {state.replace('_', ' ')} ") for word in words)
        assert any(word.startswith("before costs") for word in words)
        assert {"A", "D", "B"} <= set(words)
        assert ("pressure" in words) == any(event.kind == "setup.pressure" for event in told.events)
        assert SHORT in " ".join(words)


@pytest.mark.parametrize(("direction", "style", "state"), KINDS)
def test_every_event_is_shown_at_its_bar(direction: str, style: str, state: str) -> None:
    for told in of_kind(direction, style, state)[:2]:
        picture, data = told.picture(), told.last
        times = picture.shown.times.tolist()

        def columns(kind: str, told: Told = told, times: list[int] = times) -> list[int]:
            return [times.index(event.time) for event in told.events if event.kind == kind]

        assert times[picture.setup_at] == told.events[0].time
        assert len(times) - 1 == times.index(told.events[-1].time)
        assert picture.entry == (columns("setup.entered")[0], float(data["entry"] or "nan"))
        assert picture.exit == (columns("setup.closed")[0], float(data["exit"] or "nan"))
        assert list(picture.pressure) == columns("setup.pressure")
        assert list(picture.signals) == columns("setup.exit_signal")
        raised = [float(event.data["stop"]) for event in told.events if event.kind == "setup.stop_raised"]
        froms = [picture.setup_at, *columns("setup.stop_raised")]
        edges, stops = stop_path(picture)
        assert stops == [float(data["first_stop"]), *raised]
        assert edges == [*(column + 0.5 for column in froms), len(times) - 0.5]


@pytest.mark.parametrize("direction", ["long", "short"])
def test_the_scale_in_r_is_in_the_risk_of_the_fill(direction: str) -> None:
    for told in of_kind(direction, "quick", "stopped")[:2]:
        picture, data = told.picture(), told.last
        entry, stop = float(data["entry"] or "nan"), float(data["first_stop"])
        ends = sorted((entry - (entry - stop) * 1.5, entry + (entry - stop) * 2.5))
        ticks = {words: price for price, words in risk_ticks(picture, *ends)}
        assert ticks["0"] == pytest.approx(entry)
        assert ticks["−1R"] == pytest.approx(stop)
        assert ticks["+1R"] == pytest.approx(2 * entry - stop)
        assert all(ends[0] < price < ends[1] for price in ticks.values())
        assert boxes(compose_story(picture), "risk")


def test_without_an_entry_there_is_no_scale_and_the_end_is_named() -> None:
    for state in ("lapsed", "spoiled"):
        told = next(each for each in stories() if each.last["state"] == state)
        picture = told.picture()
        drawn = compose_story(picture)
        assert_all_readable(drawn)
        assert not boxes(drawn, "risk")
        assert picture.entry is picture.exit is None
        words = words_in(drawn)
        assert any(word.endswith(f", {state}") for word in words)
        assert {f"planned {told.last['planned_entry']}", f"stop {told.last['stop']}"} <= set(words)


def test_the_exit_of_half_is_marked() -> None:
    assert {told.last["direction"] for told in with_half()} == {"long", "short"}
    for told in with_half()[::2]:
        picture = told.picture()
        drawn = compose_story(picture)
        assert_all_readable(drawn)
        half = next(event for event in told.events if event.data.get("half_exit") is not None)
        assert picture.half == (picture.shown.times.tolist().index(half.time), float(half.data["half_exit"]))
        assert f"◁ half {told.last['half_exit']}" in words_in(drawn)


def test_a_corrected_fill_is_shown_at_its_bar_with_its_last_price() -> None:
    told = a_ride()
    mended = told.ended(told.end, entry="1.25").picture()
    assert mended.entry is not None
    assert told.picture().entry == (mended.entry[0], float(told.last["entry"] or "nan"))
    assert mended.entry[1] == 1.25


def test_later_bars_change_nothing() -> None:
    told = a_ride()
    alone, with_more = (story_chart_for(told.until(after), told.events, told.rules, "UTC") for after in (0, 50))
    assert alone == with_more
    with pytest.raises(ValueError, match="is not among the bars"):
        story_chart_for(told.until()[:-1], told.events, told.rules, "UTC")


def test_a_long_story_has_several_bars_in_one_between_its_entry_and_its_end() -> None:
    short = a_ride()
    for more in (90, 300, 2_000):
        told = short.ended(short.end + more)
        picture, times = told.picture(), told.bars.close_time
        drawn = compose_story(picture)
        assert_all_readable(drawn)
        assert picture.bundled is not None
        assert len(picture.shown) <= COLUMNS
        assert f"{picture.bundled.bars} bars in one" in words_in(drawn)
        # The bars of the setup, those after it and the last ones have their own columns.
        np.testing.assert_array_equal(
            picture.shown.times[-BARS_AT_END:], times[told.end + 1 - BARS_AT_END : told.end + 1]
        )
        np.testing.assert_array_equal(
            picture.shown.times[: picture.bundled.first],
            times[told.at - picture.setup_at : told.at - picture.setup_at + picture.bundled.first],
        )
        # No price is lost.
        shown = told.bars[told.at - picture.setup_at : told.end + 1]
        assert (picture.shown.bars.high.max(), picture.shown.bars.low.min()) == (shown.high.max(), shown.low.min())
        assert (picture.shown.bars.open[0], picture.shown.bars.close[-1]) == (shown.open[0], shown.close[-1])
        firsts = [0, *(picture.counted[:-1] + 1).tolist()]
        for column, (first, last) in enumerate(zip(firsts, picture.counted.tolist(), strict=True)):
            assert picture.shown.bars.high[column] == shown.high[first : last + 1].max()
            assert picture.shown.bars.close[column] == shown.close[last]
        for event, column in zip(
            [event for event in told.events if event.kind == "setup.pressure"], picture.pressure, strict=True
        ):
            where = int(np.searchsorted(shown.close_time, event.time))
            assert firsts[column] <= where <= picture.counted[column]
        assert len(draw_story_chart(picture)) <= LARGEST


@pytest.mark.parametrize("direction", ["long", "short"])
def test_a_story_that_a_split_broke_off_is_shown_up_to_the_bar_before_it(direction: str) -> None:
    told = of_kind(direction, "ride", "left_on_pressure")[0]
    split = told.end
    open_, high, low, close = (
        np.concatenate([column[:split], column[split:] / 2])
        for column in (told.bars.open, told.bars.high, told.bars.low, told.bars.close)
    )
    bars = Bars(told.bars.open_time, told.bars.close_time, open_, high, low, close, told.bars.volume)
    broken = replace(told, bars=bars).ended(split, state="broken_off", r=None, exit=None)
    picture = broken.picture()
    drawn = compose_story(picture)
    assert_all_readable(drawn)
    assert picture.shown.times[-1] == bars.close_time[split - 1]
    assert picture.shown.bars.low.min() > bars.high[split]
    assert picture.exit is None
    assert any(word.endswith(", broken off") for word in words_in(drawn))


@pytest.mark.parametrize(
    "name", [*HOSTILE_NAMES.values(), r"$\frac{1}{0}$", "トヨタ自動車", "W" * 40], ids=lambda name: name[:9]
)
def test_no_name_breaks_a_story(name: str) -> None:
    """Nor the chart of a setup, whose title is written in the same way."""
    picture = a_ride().picture()
    named = replace(
        picture,
        shown=replace(picture.shown, instrument=name, zone="America/Argentina/Buenos_Aires"),
        last=picture.last | {"title": name, "reason": name * 40, "set_aside": True},
    )
    drawn = compose_story(named)
    assert_all_readable(drawn)
    words = words_in(drawn)
    assert all(word.isprintable() for word in words)
    if name.startswith("$"):
        assert any(word.startswith("$") for word in words), "shown as it is written"


def test_a_png_is_as_small_and_as_large_as_that_of_a_setup() -> None:
    for told in stories()[::60]:
        picture = told.picture()
        drawn = draw_story_chart(picture)
        assert len(drawn) <= LARGEST
        assert Image.open(BytesIO(drawn)).size == (780, 1240)
        assert draw_story_chart(picture) == drawn
