"""Bars restated unasked, or many at once, are reported, and taken only when a second answer agrees."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from adapters.feeds.pushed.recent import RecentBars
from scanner.market.bars import Bars
from scanner.ports import Want
from scanner.service.changes.restating import same
from scanner.service.together.usual import Arrival
from scanner.store import Store
from tests.laws import QUARTER_HOUR
from tests.service.one_desk import BARS, KEY, LATER, desk, expected, raw, take

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from scanner.service.desk import Desk, Taken

KNOWN = 400
"""Bars known before an answer comes."""
ASKED = int(BARS.open_time[KNOWN - 1])


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "kept.db", lambda: LATER) as opened:
        yield opened


@pytest.fixture
def at(store: Store) -> Desk:
    made = desk(store)
    take(made, BARS[:KNOWN])
    return made


def answer(at: Desk, bars: Bars, since: int = ASKED) -> Taken:
    """Take an answer to a request for the bars from ``since`` on."""
    return at.take([Arrival("GANNET", raw(bars), since=since)], LATER)


def kept(store: Store) -> Bars:
    (series,) = store.bars.load([KEY])
    return series.bars


def stamped_early(bars: Bars, by: int) -> Bars:
    return Bars(bars.open_time - by * QUARTER_HOUR, bars.close_time - by * QUARTER_HOUR, *bars.columns()[2:])


def otherwise(*which: int) -> Bars:
    """Give the tape with bars that reach a little further up."""
    columns = [column.copy() for column in BARS.columns()]
    columns[3][list(which)] += 0.02
    return Bars(*columns)


def test_an_answer_stamped_two_hours_early_rewrites_nothing_and_is_told_once(at: Desk, store: Store) -> None:
    early = stamped_early(BARS[KNOWN - 1 : KNOWN + 7], 8)
    first = answer(at, early)
    assert (first.bars, first.restated) == (0, {})
    assert first.doubtful["GANNET"].startswith("the feed restated 8 bars, the first of ")
    # Asked again from there, its times are early again, and so they are at the next close.
    since = first.look_again["GANNET"]
    for question in (since, ASKED, since, ASKED):
        again = answer(at, early if question == ASKED else stamped_early(BARS[KNOWN - 9 : KNOWN + 7], 8), question)
        assert (again.bars, again.restated, again.doubtful) == (0, {}, {})
    assert same(kept(store), BARS[:KNOWN])
    answer(at, BARS[KNOWN - 1 :])
    assert same(kept(store), BARS)
    assert [each.event.to_json() for each in store.events.find()] == [event.to_json() for event in expected()]


@pytest.mark.parametrize("which", [(KNOWN - 30,), (KNOWN - 2,), tuple(range(KNOWN - 9, KNOWN))])
def test_bars_restated_unasked_are_taken_when_a_second_answer_agrees(
    at: Desk, store: Store, which: tuple[int, ...]
) -> None:
    changed = otherwise(*which)[which[0] : KNOWN + 1]
    first = answer(at, changed)
    assert first.look_again == {"GANNET": int(BARS.open_time[which[0]])}
    assert set(first.doubtful) == {"GANNET"}
    assert same(kept(store)[:KNOWN], BARS[:KNOWN])
    second = answer(at, changed, first.look_again["GANNET"])
    assert second.restated == {"GANNET": int(BARS.close_time[which[0]])}
    assert (second.look_again, second.doubtful) == ({}, {})
    assert same(kept(store), otherwise(*which)[: KNOWN + 1])


def test_what_a_second_answer_denies_is_not_taken(at: Desk, store: Store) -> None:
    first = answer(at, otherwise(KNOWN - 30)[KNOWN - 30 : KNOWN])
    second = answer(at, BARS[KNOWN - 30 : KNOWN + 1], first.look_again["GANNET"])
    assert (second.restated, second.look_again, second.bars) == ({}, {}, 1)
    assert same(kept(store), BARS[: KNOWN + 1])
    # It is forgotten: restating it once more counts as the first time.
    assert answer(at, otherwise(KNOWN - 30)[KNOWN - 30 : KNOWN + 1], int(BARS.open_time[KNOWN])).restated == {}


def test_a_bar_pushed_once_after_later_ones_takes_its_place(store: Store) -> None:
    at, late, feed = desk(store), KNOWN - 5, RecentBars(300, "tape", "open")
    take(at, Bars.joined([BARS[:late], BARS[late + 1 : KNOWN]]))

    def push(bars: Bars) -> None:
        feed.add("GANNET", "15m", replace(raw(bars), row=feed.rows + np.arange(len(bars))))

    push(Bars.joined([BARS[KNOWN - 20 : late], BARS[late + 1 : KNOWN]]))
    feed.answer(Want("GANNET", "15m", ASKED))
    push(BARS[late : late + 1])
    first = at.take([Arrival("GANNET", feed.answer(Want("GANNET", "15m", ASKED)), since=ASKED)], LATER)
    since = first.look_again["GANNET"]
    at.take([Arrival("GANNET", feed.answer(Want("GANNET", "15m", since)), since=since)], LATER)
    assert same(kept(store), BARS[:KNOWN])


def test_yet_another_value_does_not_agree(at: Desk, store: Store) -> None:
    first = answer(at, otherwise(KNOWN - 30)[KNOWN - 30 : KNOWN])
    other = otherwise(KNOWN - 30, KNOWN - 30)
    other.high[KNOWN - 30] += 0.01
    second = answer(at, other[KNOWN - 30 : KNOWN], first.look_again["GANNET"])
    assert second.restated == {}
    assert answer(at, other[KNOWN - 30 : KNOWN], second.look_again["GANNET"]).restated != {}
    assert kept(store).high[KNOWN - 30] == other.high[KNOWN - 30]


def test_new_bars_wait_if_a_doubtful_answer_confirms_no_known_bar(at: Desk, store: Store) -> None:
    """After an outage longer than the error of its times."""
    first = answer(at, stamped_early(BARS[KNOWN - 1 : KNOWN + 40], 8))
    assert (first.bars, set(first.look_again)) == (0, {"GANNET"})
    assert answer(at, BARS[KNOWN - 9 : KNOWN + 40], first.look_again["GANNET"]).bars == 40
    assert same(kept(store), BARS[: KNOWN + 40])


def test_an_answer_in_mixed_order_loses_no_bar(store: Store) -> None:
    """The last known bar, then 300, 303, 301, 302 and 304, of which 302 comes twice."""
    at, other = desk(store), otherwise(302)
    take(at, BARS[:300])
    parts = [BARS[299:301], BARS[303:304], BARS[301:302], other[302:303], BARS[302:303], BARS[304:305]]
    taken = answer(at, Bars.joined(parts), int(BARS.open_time[299]))
    assert taken.bars == 5
    assert dict(taken.refused) == {"repeated time": 1}
    assert same(kept(store), BARS[:305])
