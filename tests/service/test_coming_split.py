"""A split that is listed before its day: nothing changes until its first bar, and then it is as if listed that day."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scanner.configuration.model.settings import from_document
from scanner.events import rfc3339
from scanner.journal.bars_as_told import as_told
from scanner.market.aggregate import Aggregator
from scanner.market.bars import Bars
from scanner.market.sessions.timeframes import Timeframe
from scanner.market.splits import Adjustment, adjust
from scanner.service.changes.change_list import change_list
from scanner.service.changes.restating import same
from scanner.service.desk import Desk
from scanner.service.intake.late_ends import LATE_END
from scanner.service.resuming import snapshot_of, windows_of
from scanner.store import Batch, SeriesKey, Store, StoreTroubleError
from scanner.store.upkeep.maintenance import compact
from tests.effort import EFFORT
from tests.laws import QUARTER_HOUR, all_setups, many_found, timetable
from tests.service.one_desk import ACCOUNT, BARS, KEY, LATER, raw, take, to_screen, watched
from tests.service.story_grammar import faults
from tests.service.test_other_rules_stories import under_way_at

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from scanner.configuration.model.settings import Settings, Watched
    from scanner.events import Event
    from scanner.pipeline import Pipeline

WARM, LENGTH = 300, 600
"""The first bar of the tape at which a split may come, and how many bars are used."""


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "kept.db", lambda: LATER) as opened:
        yield opened


def sent(*splits: int) -> Bars:
    """Give the tape as a feed sends it that adjusts nothing: before each of these bars prices are twice as high."""
    return adjust(BARS, [Adjustment(int(BARS.open_time[split]), Fraction(1, 2)) for split in splits])


def with_splits(each: Watched, *splits: int, early: int = 0) -> Watched:
    """List two for one splits at the opening of these bars, or some nanoseconds before."""
    moments = tuple(Adjustment(int(BARS.open_time[split]) - early, Fraction(2)) for split in splits)
    return replace(each, adjustments=moments)


def desk(store: Store, each: Watched) -> Desk:
    """Start a desk, which goes on from the store without running anything again."""
    made = Desk([each], ACCOUNT, store, route=to_screen, stale_after=10**9, record=True)
    assert made.load() == ([] if store.bars.keys else ["GANNET"])
    return made


def settings_of(each: Watched, folder: Path) -> Settings:
    """Give a configuration with these splits."""
    splits = [{"date": rfc3339(split.time), "ratio": str(split)} for split in each.adjustments]
    own = {"step": "0.01", "timeframes": [one.name for one in each.timeframes], "adjustments": splits}
    return from_document({"instruments": {"GANNET": own}}, folder, {})


def bring(at: Desk, bars: Bars) -> None:
    """Give bars to a desk as an intake does: from its last bar on, and again as long as more comes."""
    before: int | None = -1
    while before != (before := at.last_close("GANNET")):
        take(at, bars[bars.open_time >= (at.since("GANNET") or 0)])


def said(store: Store) -> list[Event]:
    return [kept.event for kept in store.events.find()]


def lines(events: Sequence[Event]) -> list[str]:
    return sorted(event.to_json() for event in events)


def is_ending(event: Event) -> bool:
    return str(event.data.get("reason", "")).startswith("a split of ")


def state(pipeline: Pipeline) -> list[object]:
    """Give all that a pipeline knows, whatever the number of stories that it ever followed."""
    engines = [lane.engine for lane in pipeline.lanes]
    aggregators = [lane.aggregator.snapshot() for lane in pipeline.lanes if lane.aggregator is not None]
    return [pipeline.guard.snapshot(), aggregators, *((windows_of(each), each.under_way()) for each in engines)]


def by_a_replay(each: Watched, bars: Bars, split: int) -> tuple[list[Event], set[str], list[object]]:
    """Give what is said without the split before it, and by a replay that knows it from there on.

    Also gives the stories that are under way when it comes, and the state in the end, if none of these is followed.
    """
    without, knowing = (one.inputs(ACCOUNT).pipeline() for one in (replace(each, adjustments=()), each))
    found = list(without.events(without.check(raw(bars[:split])).bars))
    list(knowing.events(knowing.check(raw(bars[:split])).bars))
    for lane in knowing.lanes:
        lane.engine.leave_alone({story.thread for story in lane.engine.under_way()})
    found += knowing.events(knowing.check(raw(bars[split:])).bars)
    return found, {story.thread for story in without.under_way()}, state(knowing)


@settings(max_examples=6 * EFFORT, deadline=None)
@given(
    split=st.integers(WARM, LENGTH - 20),
    early=st.integers(0, 1),
    timeframes=st.sampled_from([("15m",), ("15m", "1h"), ("30m",)]),
    answers=st.lists(st.tuples(st.integers(1, LENGTH - 1), st.booleans()), max_size=8),
)
def test_it_is_as_if_listed_on_its_day_however_bars_come(
    split: int, early: int, timeframes: tuple[str, ...], answers: list[tuple[int, bool]]
) -> None:
    each = with_splits(watched(*timeframes, rulebook=all_setups()), split, early=early)
    bars = sent(split)[:LENGTH]
    with TemporaryDirectory() as folder, Store.open(Path(folder) / "kept.db", lambda: LATER) as store:
        at = desk(store, each)
        for end, restarts in [*sorted(answers), (LENGTH, False)]:
            bring(at, bars[:end])
            at = desk(store, each) if restarts else at
        told, (stored,) = said(store), store.bars.load([KEY])
        restarted = desk(store, each)
    expected, under_way, final = by_a_replay(each, bars, split)
    assert lines([event for event in told if not is_ending(event)]) == lines(expected)
    assert sorted(event.thread for event in told if is_ending(event)) == sorted(under_way)
    assert faults(told) == []
    assert same(stored.bars, bars)
    assert snapshot_of(at.pipelines["GANNET"]) == snapshot_of(restarted.pipelines["GANNET"])
    assert state(at.pipelines["GANNET"]) == final


@pytest.mark.parametrize(
    ("last", "end"), [("setup.qualified", "setup.withdrawn"), ("setup.entered", "setup.broken_off")]
)
def test_a_story_across_a_split_ends_in_the_price_in_which_it_was_told(store: Store, last: str, end: str) -> None:
    split = under_way_at(last) + 1
    plain, bars = watched(rulebook=many_found()), sent(split)
    at, each = desk(store, with_splits(plain, split)), with_splits(plain, split)
    bring(at, bars[:split])
    *_, before = said(store)
    assert before.kind == last
    bring(at, bars[: split + 1])
    *_, ended = said(store)
    assert (ended.kind, ended.thread, ended.facts.ends) == (end, before.thread, True)
    when = f"a split of 2:1 takes effect with the bar of {rfc3339(int(bars.open_time[split]))}"
    assert ended.data["reason"] == f"{when}, and what was reported is in the old price"
    if end == "setup.broken_off":
        assert (ended.data["stop"], ended.data["entry"]) == (before.data["stop"], before.data["entry"])
        assert ended.data["close"] == f"{2 * BARS.close[split - 1]:.2f}"
        assert ended.data["r"] is None
    bring(at, bars)
    with Store.open(store.database.path.with_name("that_day.db"), lambda: LATER) as other:
        told_late = desk(other, plain)
        bring(told_late, bars[:split])
        change_list(told_late, [each], ACCOUNT)
        bring(told_late, bars)
        assert lines(said(other)) == lines(said(store))


def test_two_splits_in_one_answer_take_effect_one_after_the_other(store: Store) -> None:
    first, second = 330, 400
    each, bars = with_splits(watched(), first, second), sent(first, second)
    at = desk(store, each)
    take(at, bars, LATER)
    assert at.last_close("GANNET") == bars.close_time[first - 1]
    bring(at, bars)
    assert state(at.pipelines["GANNET"]) == by_a_replay(each, bars, second)[2]
    assert {event.kind for event in said(store)}.isdisjoint({"series.held", "series.resumed"})


def test_a_row_that_is_no_bar_puts_no_split_into_force(store: Store) -> None:
    split = 330
    each, bars = with_splits(watched(), split), sent(split)
    at = desk(store, each)
    bring(at, bars[:split])
    before = at.pipelines["GANNET"]
    columns = [column.copy() for column in bars[: split + 1].columns()]
    columns[3][split] = columns[4][split] - 1  # a high below the low
    take(at, Bars(*columns)[split - 1 :], LATER)
    assert at.pipelines["GANNET"] is before
    bring(at, bars)
    assert state(at.pipelines["GANNET"]) == by_a_replay(each, bars, split)[2]


def test_a_split_that_cannot_be_stored_takes_effect_later(store: Store) -> None:
    split = under_way_at("setup.entered") + 1
    each, bars = with_splits(watched(), split), sent(split)
    at = desk(store, each)
    bring(at, bars[:split])
    kept = snapshot_of(at.pipelines["GANNET"])

    def full(_: Batch) -> list[Event]:
        raise StoreTroubleError("the disk is full")

    at.store = type("Full", (), {"commit": staticmethod(full), "bars": store.bars, "events": store.events})()
    with pytest.raises(StoreTroubleError):
        bring(at, bars[: split + 1])
    assert snapshot_of(at.pipelines["GANNET"]) == kept
    at.store = store
    bring(at, bars)
    expected, under_way, final = by_a_replay(each, bars, split)
    assert lines([event for event in said(store) if not is_ending(event)]) == lines(expected)
    assert [event.thread for event in said(store) if is_ending(event)] == list(under_way)
    assert state(at.pipelines["GANNET"]) == final


def test_bars_restated_with_the_first_bar_of_a_split_count_as_restated(store: Store) -> None:
    split = 330
    each, bars = with_splits(watched(), split), sent(split)
    columns = [column.copy() for column in bars.columns()]
    columns[3][split - 1] += 0.5  # until the split's day the high was unknown
    corrected = Bars(*columns)
    at = desk(store, each)
    bring(at, bars[:split])
    taken = take(at, corrected[split - 1 : split + 1], LATER)
    assert (taken.bars, taken.restated) == (1, {"GANNET": int(bars.close_time[split - 1])})
    bring(at, corrected)
    (stored,) = store.bars.load([KEY])
    assert same(stored.bars, corrected)
    assert state(at.pipelines["GANNET"]) == by_a_replay(each, corrected, split)[2]


def test_a_coarser_timeframe_keeps_the_bars_that_retention_left_it(store: Store, tmp_path: Path) -> None:
    """Those older than the remaining bars of the feed are adjusted as they are; charts show what was told before."""
    split = 500
    each, bars = with_splits(watched("15m", "1h"), split), sent(split)
    at = desk(store, each)
    bring(at, bars[:split])
    compact(store, keep_bars=300, keep_days=10**4)
    at = desk(store, each)
    hour = SeriesKey("GANNET", "1h")
    (before,) = store.bars.load([hour])
    bring(at, bars[: split + 1])
    (stored,) = store.bars.load([hour])
    hours = Aggregator(Timeframe.named("15m"), timetable("1h", "24/7"))
    assert same(stored.bars, hours.push(BARS[: split + 1]))
    known = settings_of(each, tmp_path)
    for key, kept, wanted in ((hour, stored.bars, before.bars), (KEY, bars, bars)):
        assert same(as_told(store, known, key, kept, int(before.bars.close_time[-1])), wanted)


def test_a_coarser_bar_that_counted_as_complete_gets_the_first_bars_of_a_split(store: Store) -> None:
    """The feed was silent in the middle of an hour, and sends the rest of it late."""
    split = next(bar for bar in range(330, 340) if BARS.open_time[bar] % (4 * QUARTER_HOUR) == 2 * QUARTER_HOUR)
    each, bars = with_splits(watched("15m", "1h"), split), sent(split)
    at = desk(store, each)
    bring(at, bars[:split])
    later = int(bars.close_time[split + 1]) + LATE_END
    take(at, bars[split - 1 : split], later)
    hour = SeriesKey("GANNET", "1h")
    assert store.bars.last_close(hour) == bars.close_time[split + 1]
    take(at, bars[split - 1 : split + 1], later)
    assert store.bars.last_close(hour) == bars.open_time[split - 2]
    bring(at, bars)
    assert state(at.pipelines["GANNET"]) == by_a_replay(each, bars, split)[2]
