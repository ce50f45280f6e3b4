"""Suspected bad ticks at a desk: published once, with the same effect as in a replay, or left out if configured."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from scanner.analysis.rules import Rules
from scanner.events import Event
from scanner.market.guard import Note
from scanner.service.changes.change_list import revive
from scanner.store import Store
from tests.laws import all_setups, bars_of
from tests.outside.setup_tapes import tape_of_setups
from tests.outside.spiked_tapes import spiked
from tests.service.one_desk import ACCOUNT, KEY, START, desk, raw, take, watched

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from scanner.market.bars import Bars
    from scanner.market.guard import Checked
    from scanner.trade.rulebook import Rulebook

SEED = 28
BARS = bars_of(spiked(tape_of_setups(SEED), SEED), START)
TIMEFRAMES = ("15m", "1h")


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "kept.db", lambda: int(BARS.close_time[-1])) as opened:
        yield opened


def replayed(
    rulebook: Rulebook, bars: Bars = BARS, timeframes: Sequence[str] = TIMEFRAMES
) -> tuple[Checked, list[Event], list[Note]]:
    """Take bars through a pipeline at once."""
    pipeline = watched(*timeframes, rulebook=rulebook).inputs(ACCOUNT).pipeline()
    checked = pipeline.check(raw(bars))
    said = list(pipeline.events(checked.bars))
    return checked, said, pipeline.suspects(checked)


def in_portions(store: Store, rulebook: Rulebook) -> tuple[list[Event], list[Note]]:
    """Take all bars in at desks that are stopped and started again, with the last few repeated each time."""
    rng = np.random.default_rng(3)
    said: list[Event] = []
    notes: list[Note] = []
    at, end = desk(store, *TIMEFRAMES, rulebook=rulebook), 0
    while end < len(BARS):
        begin = max(0, end - int(rng.integers(0, 5)))
        end = min(len(BARS), end + int(rng.integers(1, 40)))
        taken = take(at, BARS[begin:end])
        said += taken.events
        notes += taken.notes
        if rng.random() < 0.5:
            at = desk(store, *TIMEFRAMES, rulebook=rulebook)
            revive(at, at.load())
    return said, notes


def in_order(events: list[Event]) -> list[str]:
    return sorted(event.to_json() for event in events)


def texts(notes: list[Note], reason: str) -> list[str]:
    return sorted(note.text for note in notes if note.reason == reason)


def test_they_are_published_once_with_the_same_effect_as_in_a_replay(store: Store) -> None:
    _, expected, suspected = replayed(all_setups())
    said, notes = in_portions(store, all_setups())
    assert in_order(said) == in_order(expected)
    assert texts(notes, "suspected bad tick") == texts(suspected, "suspected bad tick")
    assert len(suspected) > 1
    reasons = " ".join(event.data["set_aside"] for event in said if event.kind == "setup.set_aside")
    for words in ("can look back at", "of its ATR", "averages out of order"):
        assert words in reasons


def test_they_are_noted_as_in_a_replay_when_each_bar_comes_alone_as_it_closes(store: Store) -> None:
    history, day = BARS[:400], BARS[400:470]  # in each there are suspected ones
    _, expected, suspected = replayed(all_setups(), BARS[:470], ["15m"])
    at, said, notes = desk(store, "15m", rulebook=all_setups()), list[Event](), list[Note]()
    for bars in (history, *(day[place : place + 1] for place in range(len(day)))):
        taken = take(at, bars)
        said += taken.events
        notes += taken.notes
    assert in_order(said) == in_order(expected)
    assert texts(notes, "suspected bad tick") == texts(suspected, "suspected bad tick")
    assert len(suspected) > 1


def test_bars_left_out_are_the_same_live_across_restarts_and_in_a_replay(store: Store) -> None:
    dropping = all_setups(Rules(drop_spikes=True))
    checked, expected, _ = replayed(dropping)
    said, notes = in_portions(store, dropping)
    assert checked.counts["bad tick"] > 1
    assert set(texts(notes, "bad tick")) == set(texts(checked.notes, "bad tick"))
    assert in_order(said) == in_order(expected)
    (stored,) = store.bars.load([KEY])
    assert stored.bars.open_time.tolist() == checked.bars.open_time.tolist()


def test_a_change_of_mind_leaves_the_bars_there_are(store: Store) -> None:
    at = desk(store, *TIMEFRAMES, rulebook=all_setups())
    take(at, BARS)
    at = desk(store, *TIMEFRAMES, rulebook=all_setups(Rules(drop_spikes=True)))
    assert revive(at, at.load()) == ["GANNET"]
    (stored,) = store.bars.load([KEY])
    assert stored.bars.open_time.tolist() == BARS.open_time.tolist()
    assert list(at.pipelines["GANNET"].lanes[-1].engine.series.pool.spikes)
