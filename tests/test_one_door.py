"""Setups come in by one door: nothing outside a setup's file knows its name, and any other is as good."""

from __future__ import annotations

import json
import re
from collections import Counter
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from jsonschema import Draft202012Validator

from scanner.analysis.door.known_setups import known, own
from scanner.analysis.door.setup import Chosen
from scanner.analysis.rules import Rules
from scanner.ports import Message
from scanner.present.chart.chart import chart_for
from scanner.present.words.words import alert
from scanner.present.words.words_html import html
from scanner.trade.rulebook import Rulebook
from tests.laws import bars_of, engine
from tests.outside.random_tapes import tape

if TYPE_CHECKING:
    from scanner.events import Event
    from scanner.market.bars import Bars

HOUSE = Path(__file__).parent.parent
FILES = sorted(
    path
    for room in ("scanner", "adapters")
    for path in (HOUSE / room).rglob("*")
    if path.suffix in {".py", ".json"} and (HOUSE / "scanner/analysis/setups") not in path.parents
)


MANY = 10
"""Events of each kind that are put into words."""


def names() -> list[str]:
    return sorted({name for setup in known().values() for name in (setup.name, setup.title)})


def test_nothing_outside_its_file_knows_the_name_of_a_setup() -> None:
    assert len(known()) == 9
    word = re.compile(rf"(?<![a-z_])({'|'.join(map(re.escape, names()))})(?![a-z_])", re.IGNORECASE)
    assert word.search("A Doji Pause")
    told = {
        f"{path.relative_to(HOUSE)}: {found[0]}"
        for path in FILES
        if (found := word.search(path.read_text(encoding="utf-8")))
    }
    assert len(FILES) > 150
    assert told == set()


@pytest.fixture(scope="module")
def said() -> tuple[Bars, list[Event]]:
    """Run an engine that knows nothing but the example in config/."""
    example = own("two_steps", "own_setup:SETUP", HOUSE / "config")
    bars = bars_of(tape(5))
    watcher = engine(rulebook=Rulebook(Rules(), (Chosen(example, example.numbers()),)))
    return bars, [event for event in watcher.push(bars) if event.kind.startswith("setup.")]


def test_an_engine_that_knows_only_a_made_up_setup_says_and_plans_it(said: tuple[Bars, list[Event]]) -> None:
    _, events = said
    setups = [event for event in events if event.facts.begins]
    assert len(setups) > 5
    assert {event.data["direction"] for event in setups} == {"long", "short"}
    for event in setups:
        data = event.data
        sign = 1 if data["direction"] == "long" else -1
        assert (data["setup"], data["title"], list(data["rules"])) == (
            "two_steps",
            "two steps",
            ["wide", "direction", "steps"],
        )
        assert [bar["letter"] for bar in data["bars"]] == ["W", "1", "2"]
        entry, stop = (float(data["levels"][level]) for level in ("break", "stop"))
        assert sign * (entry - stop) > 0
        assert f"the {'low' if sign > 0 else 'high'} of the steps" in data["level_reasons"]["stop"]
        assert data["spoiled_by"] == f"a close {'below' if sign > 0 else 'above'} that of the wide bar"


def test_what_becomes_of_it_is_told_to_the_end(said: tuple[Bars, list[Event]]) -> None:
    _, events = said
    setups = {event.id: event.data for event in events if event.facts.begins}
    later = [event for event in events if event.facts.follows]
    assert {event.kind for event in later} >= {"setup.entered", "setup.exit_signal", "setup.closed", "setup.spoiled"}
    for event in later:
        data, setup = event.data, setups[event.thread]
        assert (data["setup"], data["title"], data["direction"]) == ("two_steps", "two steps", setup["direction"])
        assert data["setup_close"] == setup["bar_close"] < data["bar_close"]
        assert (data["planned_entry"], data["first_stop"]) == (setup["levels"]["break"], setup["levels"]["stop"])
    ends = Counter(event.thread for event in later if event.facts.ends)
    assert set(ends.values()) == {1}
    assert len(setups) - len(ends) <= 1, "only what was found last may still be under way"


def test_its_words_its_chart_and_its_contract_hold_too(said: tuple[Bars, list[Event]]) -> None:
    bars, events = said
    schema: dict[str, Any] = json.loads(files("scanner").joinpath("contract", "events.schema.json").read_text("utf-8"))
    contract, seen = Draft202012Validator(schema), Counter[str]()
    for event in events:
        contract.validate(json.loads(event.to_json()))
        seen[event.kind] += 1
        if seen[event.kind] > MANY:
            continue
        told = alert(Message(event), "UTC", None)
        assert "two steps" in told.plain().lower()
        assert "two steps" in html(told).lower()
    setup = [event for event in events if event.facts.begins][-1]
    drawn = chart_for(bars, setup, Rules(), "UTC", "svg").decode()
    assert re.search(r">GANNET 15m [▲▼] (long|short)<", drawn)
    assert re.search(r">two steps( at a [a-z ]+)?, evidence ", drawn)
    assert {"W", "1", "2"} <= set(re.findall(r">([W12])<", drawn))
