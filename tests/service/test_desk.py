"""The desk: bars are taken in once, stored as a whole, and corrected when the feed restates them."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any, Literal, cast

import numpy as np
import pytest

from scanner.events import rfc3339
from scanner.market.bars import NO_BARS, NO_TIME, Bars
from scanner.market.instruments import Instrument
from scanner.service.changes.change_list import revive
from scanner.service.desk import Desk
from scanner.service.resuming import snapshot_of
from scanner.service.together.usual import Arrival
from scanner.store import Batch, SeriesUpdate, Store, StoreTroubleError
from scanner.store.packing import joined, parts_of
from scanner.trade.following import Follow
from tests.laws import QUARTER_HOUR, all_setups, engine
from tests.service.one_desk import ACCOUNT, BARS, KEY, LATER, desk, expected, raw, take, watched

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from scanner.events import Event


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "kept.db", lambda: LATER) as opened:
        yield opened


def test_the_tape_says_something() -> None:
    kinds = Counter(event.kind for event in expected())
    assert kinds["setup.qualified"] == kinds["setup.entered"] == kinds["setup.closed"] == 2
    assert kinds.keys() >= {"setup.pressure", "setup.stop_raised", "setup.exit_signal"}


def test_bars_in_any_portions_overlapping_and_across_restarts_give_the_events_of_a_replay(store: Store) -> None:
    rng = np.random.default_rng(1)
    said: list[Event] = []
    at, end = desk(store), 0
    while end < len(BARS):
        begin = max(0, end - int(rng.integers(0, 5)))  # feeds like to repeat the last bars
        end = min(len(BARS), end + int(rng.integers(1, 40)))
        said += take(at, BARS[begin:end]).events
        if rng.random() < 0.5:
            at = desk(store)
    assert [event.to_json() for event in said] == [event.to_json() for event in expected()]
    assert [kept.event.to_json() for kept in store.events.find()] == [event.to_json() for event in expected()]


@pytest.mark.parametrize("wrong", ["record", "guard"])
def test_a_start_from_a_state_that_does_not_fit_the_stored_bars_makes_it_anew_from_these(
    store: Store, wrong: str
) -> None:
    at = desk(store)
    said = take(at, BARS[:300]).events
    right = snapshot_of(at.pipelines["GANNET"])
    mark, guard, aggregated, state = parts_of(right)
    if wrong == "record":
        state = bytes([state[0] ^ 1]) + state[1:]
    else:
        guard += b"of another release"
    store.commit(Batch([SeriesUpdate(KEY, NO_BARS, joined([mark, guard, aggregated, state]))]))
    at = desk(store)
    assert revive(at, at.load()) == ["GANNET"]
    assert snapshot_of(at.pipelines["GANNET"]) == right
    said += take(at, BARS[300:]).events
    assert [event.to_json() for event in said] == [event.to_json() for event in expected()]


def test_an_instrument_comes_once_in_a_call(store: Store) -> None:
    with pytest.raises(ValueError, match="twice"):
        desk(store).take([Arrival("GANNET", raw(BARS[:9])), Arrival("GANNET", raw(BARS[9:20]))], LATER)


class CountingBars:
    """The bars of a store, and how many times they were read."""

    def __init__(self, bars: Any) -> None:  # noqa: ANN401 - the store's own
        self.bars = bars
        self.reads = 0

    def load(self, *about: Any) -> Any:  # noqa: ANN401 - as above
        self.reads += 1
        return self.bars.load(*about)


def test_when_many_answers_overlap_the_store_is_read_only_a_few_times(store: Store) -> None:
    each = watched()
    names = [f"I{number}" for number in range(200)]
    listed = [replace(each, instrument=Instrument(name, each.instrument.steps), symbol=name) for name in names]
    at = Desk(listed, ACCOUNT, store, route=lambda _: (), stale_after=10**9, record=False)
    at.load()
    at.take([Arrival(name, raw(BARS[:100])) for name in names], LATER)
    counting = CountingBars(store.bars)
    at.store = cast("Store", SimpleNamespace(bars=counting, commit=store.commit, events=store.events))
    # Five known bars each, the first two fewer, one instrument with another high, and one from long ago on.
    other = [column.copy() for column in BARS[95:101].columns()]
    other[3][2] += 1
    answers = {name: raw(BARS[95:101]) for name in names}
    answers |= {"I0": raw(BARS[98:101]), "I1": raw(BARS[97:101]), "I150": raw(Bars(*other)), "I151": raw(BARS[20:101])}
    taken = at.take([Arrival(name, answers[name]) for name in names], LATER)
    assert taken.bars == 200
    assert taken.restated == {"I150": BARS.close_time[97]}
    # Four for all, one from long ago, and the bars on which the restated one is run again.
    assert counting.reads <= 7


def test_an_open_bar_is_never_evaluated(store: Store) -> None:
    at = desk(store)
    now = int(BARS.close_time[300]) - 1
    assert take(at, BARS[:301], now).bars == 300
    assert at.last_close("GANNET") == int(BARS.close_time[299])
    assert take(at, BARS[295:302], now + 1).bars == 1


def test_a_bar_that_comes_after_later_ones_takes_its_place(store: Store) -> None:
    at, hole = desk(store), 300
    said = take(at, BARS[:hole]).events
    said += take(at, Bars.joined([BARS[hole - 1 : hole], BARS[hole + 1 : hole + 3]])).events
    late = BARS[hole : hole + 3]  # as from feeds that keep pushed rows in order of time
    assert take(at, late).bars == 0
    assert take(at, late).events == []
    said += take(at, BARS[hole + 2 :]).events
    (stored,) = store.bars.load([KEY])
    assert all(
        np.array_equal(*pair, equal_nan=True) for pair in zip(stored.bars.columns(), BARS.columns(), strict=True)
    )
    assert [event.to_json() for event in said] == [event.to_json() for event in expected()]


def test_a_bar_that_has_no_place_changes_nothing(store: Store) -> None:
    at = desk(store)
    take(at, BARS[:300])
    before = at.pipelines["GANNET"]
    crooked = Bars(BARS.open_time[200:201] + 60 * 10**9, *(column[200:201] for column in BARS.columns()[1:]))
    at.take([Arrival("GANNET", raw(Bars.joined([crooked, BARS[299:300]])))], LATER)
    assert at.pipelines["GANNET"] is before


def test_an_old_story_is_kept_and_not_sent_and_its_setup_is_missed(store: Store) -> None:
    taken = take(desk(store, stale_after=3), BARS)
    assert taken.events == []
    assert [event.to_json() for event in taken.stale] == [event.to_json() for event in expected()]
    assert [kept.event.to_json() for kept in store.events.find()] == [event.to_json() for event in expected()]
    assert [event.id for event in taken.missed] == [event.id for event in expected() if event.facts.begins]
    assert not store.outbox.list()


@pytest.mark.parametrize("too_late_by", [0, 1])
def test_a_setup_is_sent_until_it_is_more_than_some_bars_old(store: Store, too_late_by: int) -> None:
    at, (setup, *_) = desk(store, stale_after=3), expected()
    index = int(np.searchsorted(BARS.close_time, setup.time))
    take(at, BARS[: index + 1], setup.time + 3 * QUARTER_HOUR + too_late_by)
    assert [each.event.id for each in store.outbox.list()] == [setup.id] * (1 - too_late_by)


def test_events_of_a_position_are_sent_however_late(store: Store) -> None:
    at, (setup, *others) = desk(store, stale_after=3), expected()
    story = [event for event in others if event.thread == setup.id]
    assert story[-1].kind == "setup.closed"
    index = int(np.searchsorted(BARS.close_time, setup.time))
    assert [event.id for event in take(at, BARS[: index + 1]).events] == [setup.id]
    taken = take(at, BARS[index:])
    later = [event for event in others if event.thread != setup.id]
    assert [event.id for event in taken.events] == [event.id for event in story]
    assert [event.id for event in taken.stale] == [event.id for event in later]
    assert [event.id for event in taken.missed] == [later[0].id]
    assert [each.event.id for each in store.outbox.list()] == [setup.id, *(event.id for event in story)]
    assert [kept.event.to_json() for kept in store.events.find()] == [event.to_json() for event in expected()]


@pytest.mark.parametrize("kind", ["setup.lapsed", "setup.spoiled"])
@pytest.mark.parametrize(("which", "is_wanted"), [("all", True), ("taken", False)])
def test_an_old_end_without_an_entry_is_sent_and_listed_where_ends_are_wanted(
    store: Store, kind: str, which: Literal["all", "taken"], is_wanted: bool
) -> None:
    found = engine(rulebook=all_setups()).push(BARS)
    stories = {event.thread: event for event in found}
    end = next(
        event
        for event in found
        if event.kind == kind and not event.data["set_aside"] and event.time < LATER - 10 * QUARTER_HOUR
    )
    setup = next(event for event in found if event.thread == end.thread)
    assert stories[end.thread] is end
    at = desk(store, stale_after=3, rulebook=replace(all_setups(), follow=Follow(which=which)))
    index = int(np.searchsorted(BARS.close_time, setup.time))
    take(at, BARS[:index])
    assert setup.id in {event.id for event in take(at, BARS[index : index + 1]).events}
    taken = take(at, BARS[index + 1 :])
    assert (end.id in {event.id for event in taken.missed}) == is_wanted
    sent = [each.event.id for each in store.outbox.list() if each.event.thread == setup.id]
    assert sent == [setup.id, end.id][: 1 + is_wanted]


def test_a_batch_that_cannot_be_stored_changes_nothing_and_goes_through_later(store: Store) -> None:
    at = desk(store)
    take(at, BARS[:500])
    kept = snapshot_of(at.pipelines["GANNET"])

    def full(_: Batch) -> list[Event]:
        assert at.last_close("GANNET") == BARS.close_time[499]  # bars not stored yet are not visible to others
        raise StoreTroubleError("the disk is full")

    at.store = type("Full", (), {"commit": staticmethod(full), "bars": store.bars, "events": store.events})()
    with pytest.raises(StoreTroubleError):
        take(at, BARS[500:])
    assert snapshot_of(at.pipelines["GANNET"]) == kept
    at.store = store
    take(at, BARS[500:])
    assert [kept.event.to_json() for kept in store.events.find()] == [event.to_json() for event in expected()]


def test_refused_rows_are_noted_once_and_the_reason_is_given_if_they_are_most(store: Store) -> None:
    at = desk(store)
    take(at, BARS[:300])
    columns = [column.copy() for column in BARS[299:310].columns()]
    columns[3][1:] = columns[4][1:] - 1  # highs below the lows
    bad = raw(Bars(*columns))
    first, second = (at.take([Arrival("GANNET", bad)], LATER) for _ in range(2))
    assert set(first.useless) == set(second.useless) == {"GANNET"}
    assert first.useless["GANNET"].startswith("tape, row 10: ")
    assert (len(first.notes), len(second.notes)) == (10, 0)
    columns[3][9:] = BARS.high[308:310]
    third = at.take([Arrival("GANNET", raw(Bars(*columns)))], LATER)
    assert (third.bars, third.useless) == (2, {})
    assert third.doubtful["GANNET"].startswith("most rows were refused; the last was tape, row 8: ")


def test_bars_after_a_gap_wait_for_an_answer_that_closes_or_confirms_it(store: Store) -> None:
    at = desk(store)
    take(at, BARS[:300])
    assert take(at, BARS[300:310]).bars == 10
    assert take(at, Bars.joined([BARS[309:310], BARS[312:315]])).bars == 3  # none was traded: the last is there
    last = int(BARS.open_time[314])
    for begin in (400, 390):  # the second has more: it may lack others, too
        part = take(at, BARS[begin:410])
        assert (part.bars, part.look_again, part.doubtful) == (0, {"GANNET": last}, {})
    assert take(at, BARS[315:410]).bars == 95
    assert take(at, BARS[450:460]).bars == 0
    second = take(at, BARS[451:461])  # from a feed that gives the latest ten
    assert (second.bars, second.look_again) == (10, {})
    told = second.doubtful["GANNET"]
    assert told.startswith(f"41 bars are missing, from {rfc3339(int(BARS.close_time[409]))} on, and nobody has")


def test_an_unreadable_row_is_noted_even_where_the_bars_beside_it_wait(store: Store) -> None:
    """A feed that is pushed to gives such a row only once."""
    at = desk(store)
    take(at, BARS[:300])
    opens = BARS.open_time[310:315].copy()
    opens[2] = NO_TIME
    rows = raw(replace(BARS[310:315], open_time=opens))
    taken = at.take([Arrival("GANNET", rows)], LATER)
    assert (taken.bars, list(taken.look_again)) == (0, ["GANNET"])
    assert [note.row for note in taken.notes] == [2]


@pytest.mark.parametrize("portion", [3, 7, 50, 501])
def test_coarser_bars_are_the_same_however_the_history_comes(tmp_path: Path, portion: int) -> None:
    """Part of a history does not make a coarser bar complete, even long after all of it has closed."""
    made = {}
    for size in (portion, len(BARS)):
        with Store.open(tmp_path / f"{size}.db", lambda: LATER) as store:
            at = desk(store, "15m", "30m", "1h", "4h")
            for begin in range(0, len(BARS), size):
                take(at, BARS[max(begin - 1, 0) : begin + size], LATER + 10**15)
            stored = at.stored(["GANNET"])["GANNET"].values()
            columns = [column.tobytes() for bars in stored for column in bars.columns()]
            made[size] = columns, sorted(kept.event.to_json() for kept in store.events.find())
    assert made[portion] == made[len(BARS)]


def test_an_answer_whose_times_are_ahead_of_the_clock_is_refused_as_a_whole(store: Store) -> None:
    """What would count as the bar that has just closed closed an hour ago: its alert would be late without a word."""
    at, now = desk(store), int(BARS.close_time[300]) + 2_000_000_000
    wrong = take(at, BARS[: 301 + 4 + 1], now)  # by a clock an hour ahead, with the bar that is open now
    assert (wrong.bars, at.since("GANNET")) == (0, None)
    assert wrong.useless["GANNET"] == (
        f"tape, row 302: its bar only begins at {rfc3339(int(BARS.open_time[302]))}, after "
        f"{rfc3339(int(BARS.close_time[300]) + 2_000_000_000)}, when the feed was asked, so its times, or this "
        "machine's clock, are wrong"
    )
    stray = Bars.joined([BARS[: 301 + 1], BARS[310:311]])
    assert take(at, stray, now).bars == 301, "one bar is a mistake of its own"


def test_rows_without_prices_up_to_the_end_of_the_day_are_not_bars_ahead(store: Store) -> None:
    at, now = desk(store), int(BARS.close_time[300]) + 2_000_000_000
    nothing = np.where(np.arange(320) > 301, np.nan, 1.0)
    sent = BARS[:320]
    padded = Bars(sent.open_time, sent.close_time, *(column * nothing for column in sent.columns()[2:]))
    assert take(at, padded, now).bars == 301
