"""The demo feed is what its script makes, and everything that it should show occurs in it."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import replace
from decimal import Decimal
from itertools import chain, product
from typing import TYPE_CHECKING

import numpy as np
import pytest
from pyarrow import parquet

from demo_feed.exchange import FALL
from demo_feed.make_demo_feed import make
from scanner.analysis.door.known_setups import known
from scanner.clocks import DAY, SECOND
from scanner.commands.recorded.demo import example
from scanner.configuration.model import settings
from scanner.configuration.routing import sinks_for
from scanner.events import KINDS, rfc3339
from scanner.replays.recordings import Reading, begun, recordings
from scanner.replays.replay import Tally, replay
from tests.demo_setups import FOLDER, replayed, with_every_setup
from tests.laws import all_setups

if TYPE_CHECKING:
    from pathlib import Path

    from scanner.events import Event
    from scanner.follow.outcome import Came

INSTRUMENTS = settings.load(FOLDER / "instruments.toml")
PLAYED = settings.load(FOLDER.parent / "config" / "demo.toml", {})
README = (FOLDER / "README.md").read_text(encoding="utf-8")
DIRECTIONS = ("long", "short")
ENOUGH_TO_WARM = 3_000
"""Bars before the end: thirty days of those that are traded day and night."""


def test_the_script_makes_these_files_again(tmp_path: Path) -> None:
    make(tmp_path)
    names = sorted(file.name for file in tmp_path.iterdir())
    assert names == sorted(file.name for file in FOLDER.iterdir() if file.suffix in {".parquet", ".csv"})
    assert {name.partition(".")[0] for name in names} == set(INSTRUMENTS.instruments)
    for name in names:
        again, kept = tmp_path / name, FOLDER / name
        if name.endswith(".parquet"):
            assert parquet.read_table(again).equals(parquet.read_table(kept), check_metadata=True), name
            writers = [parquet.read_metadata(file).created_by for file in (again, kept)]
            if writers[0] != writers[1]:
                continue  # another version of the library packs the same table into other bytes
        assert again.read_bytes() == kept.read_bytes(), name


def test_the_files_are_small_and_say_that_they_are_invented() -> None:
    assert sum(file.stat().st_size for file in FOLDER.glob("*.*") if file.suffix != ".png") < 2_300_000
    for file in FOLDER.glob("*.parquet"):
        assert b"nvented" in parquet.read_schema(file).metadata[b"about"]
    for name in ("README.md", "instruments.toml", "make_demo_feed.py"):
        assert "nvented" in (FOLDER / name).read_text(encoding="utf-8")


def test_prices_are_whole_steps() -> None:
    for symbol, each in replayed().items():
        step = INSTRUMENTS.of(symbol).instrument.steps.at(Decimal(1))
        bars = each.bars
        for price in np.unique(np.concatenate([bars.open, bars.high, bars.low, bars.close])).tolist():
            assert Decimal(repr(price)) % step == 0, (symbol, price)


def test_the_guard_finds_the_damage_and_nothing_else() -> None:
    """The README lists what is wrong with the torn ledger, row by row."""
    told = {(int(row), reason) for row, reason in re.findall(r"^\| (\d+) \| ([a-z ]+) \|", README, re.MULTILINE)}
    assert {(note.row, note.reason) for note in replayed()["TORNLEDGER"].checked.notes} == told
    for symbol, each in replayed().items():
        counts = Counter(each.checked.counts)
        if symbol != "TORNLEDGER":
            idle = counts.pop("no trade", 0)
            assert (idle >= 12) if symbol == "FOGFREIGHT" else idle < 10, symbol
            assert counts == Counter({"WHELKCHIT": {"missing bars": 8}, "TERNFERRY": {"price jump": 1}}.get(symbol)), (
                symbol
            )


def test_the_split_holds_its_series_and_the_fall_of_a_quarter_holds_none() -> None:
    said = {
        symbol: [(event.kind, event.data["timeframe"]) for event in each.events if event.kind.startswith("series")]
        for symbol, each in replayed().items()
    }
    both = [("series.held", "15m"), ("series.held", "1h"), ("series.resumed", "15m"), ("series.resumed", "1h")]
    assert sorted(said.pop("TERNFERRY")) == both
    assert not any(said.values())
    symbol, night = FALL
    bars = replayed()[symbol].bars
    bar = int(np.searchsorted(bars.open_time, int(night.timestamp()) * SECOND))
    assert bars.open[bar] / bars.close[bar - 1] == pytest.approx(0.76, abs=0.001)


@pytest.mark.parametrize("word", ["line", "average", "level", "turn", "ride", "quick"])
def test_every_place_and_exit_of_the_doji_pause_occurs_in_both_directions(word: str) -> None:
    told = (event.data for each in replayed().values() for event in each.setups)
    found = Counter(data["direction"] for data in told if word in {data["place"], data["exit_plan"]["style"]})
    assert all(found[direction] >= 2 for direction in DIRECTIONS), found


@pytest.mark.parametrize(("name", "direction"), list(product(known(), DIRECTIONS)))
def test_every_setup_occurs_in_both_directions(name: str, direction: str) -> None:
    wanted = {"setup": name, "direction": direction}
    assert any(wanted.items() <= event.data.items() for event in with_every_setup().setups)


def test_an_entry_is_valid_until_the_last_bar_that_it_is_waited_for_has_closed() -> None:
    """Told from the calendar alone; the bars that came then say the same, across nights, weekends and holidays."""
    each = with_every_setup()
    closes, waits = each.bars.close_time.tolist(), set()
    for event in each.setups + each.set_aside:
        at = closes.index(event.time) + event.data["entry_within"]
        if at < len(closes):
            assert event.data["valid_until"] == rfc3339(closes[at])
            waits.add(event.data["entry_within"])
    assert waits == {2, 3}


def test_everything_that_can_become_of_a_setup_occurs() -> None:
    told = {event.kind for event in with_every_setup().events if event.facts.follows}
    # Only bars that a feed restates withdraw a setup.
    assert told == {kind for kind, facts in KINDS.items() if facts.follows} - {"setup.withdrawn"}


def test_some_are_set_aside_for_their_cost_and_some_because_little_is_traded() -> None:
    reasons = [event.data["set_aside"] for each in replayed().values() for event in each.set_aside]
    assert any("cost fails" in reason for reason in reasons)
    assert any("liquid fails" in reason for reason in reasons)


def test_the_coarser_timeframe_speaks_for_some_and_against_some() -> None:
    told = (event.data["surroundings"]["coarser"]["measured"] for each in replayed().values() for event in each.setups)
    assert {1.0, -1.0} <= set(told)


def test_the_example_shown_has_nothing_against_it_and_room_to_its_obstacle() -> None:
    setups = list(chain.from_iterable(each.setups for each in replayed().values()))
    shown = example(setups).data
    assert all(measure["verdict"] for measure in shown["surroundings"].values())
    assert shown["place"] != "turn"
    assert float(shown["entries"][shown["entry_style"]]["room"]) >= 1.5


def test_sizes_are_given_in_two_currencies() -> None:
    told = [event.data for each in replayed().values() for event in each.setups]
    assert {data["currency"] for data in told if Decimal(data["size"]) > 0} == {"XTS", "EUR"}


def test_the_configuration_of_the_demo_describes_the_same_instruments() -> None:
    """Only that the split is given there, and that there are more setups."""
    for name in PLAYED.instruments:
        played, told = PLAYED.of(name), INSTRUMENTS.of(name)
        assert replace(played, feed="", rulebook=told.rulebook, adjustments=()) == told, name
    assert {name for name in PLAYED.instruments if PLAYED.of(name).adjustments} == {"TERNFERRY"}


def test_setups_of_several_kinds_occur_while_the_last_day_is_played() -> None:
    end = max(int(each.bars.open_time[-1]) for each in replayed().values())
    kinds: set[str] = set()
    for watched in PLAYED.watched():
        pipeline = watched.inputs(PLAYED.account).pipeline()
        events = pipeline.events(replayed()[watched.symbol].bars[-ENOUGH_TO_WARM:])
        played = (event for event in events if event.kind == "setup.qualified" and event.time > end - DAY)
        kinds.update(event.data["setup"] for event in played)
    assert len(kinds) >= 3


def test_some_setups_are_told_one_bar_ahead_while_the_last_day_is_played() -> None:
    """Few of them, so that the screen is not full of setups that come to nothing."""
    end = max(int(each.bars.open_time[-1]) for each in replayed().values())
    told: list[Event] = []
    for watched in PLAYED.watched():
        pipeline = watched.inputs(PLAYED.account).pipeline()
        events = pipeline.events(replayed()[watched.symbol].bars[-ENOUGH_TO_WARM:])
        told += [event for event in events if event.facts.ahead and event.time > end - DAY]
    assert 1 <= len(told) <= 8
    assert {event.data["direction"] for event in told} == {"long", "short"}
    assert {sinks_for(event, {}, PLAYED.routes, list(PLAYED.sinks)) for event in told} == {("screen",)}


def test_a_replay_counts_the_same_whether_or_not_it_tells_each_story() -> None:
    reading = Reading(step=Decimal("0.01"), rulebook=all_setups())
    counted: list[list[Came]] = []
    for tells_stories in (True, False):
        came: list[Came] = []
        counted.append(came)
        (recording,) = recordings([FOLDER / "TERNFERRY.parquet"], reading)
        tally = Tally("TERNFERRY", "")
        inputs, chunks = begun(reading, recording, tally)
        events = replay(inputs.pipeline(), chunks, tally, lambda _: None, came.append, tells_stories=tells_stories)
        said = list(events)
        assert any(event.facts.follows for event in said) == tells_stories
    assert counted[0] == counted[1]
    assert {each.state for each in counted[0]} >= {"stopped", "left", "left_on_pressure", "lapsed", "spoiled"}
