"""The demo feed is what its script makes, and the engine says of every planted case what was planted."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from pyarrow import parquet

import demo_feed
from adapters.feeds.recorded import RecordedFeed
from demo_feed.decoy_cases import DECOYS
from demo_feed.found_cases import FOUND
from demo_feed.make_demo_feed import make
from scanner import settings
from scanner.engine import SeriesEngine
from scanner.pipeline import Pipeline
from scanner.trade.size import Account

if TYPE_CHECKING:
    from scanner.engine import Judgement
    from scanner.events import Event
    from scanner.market.bars import Bars
    from scanner.market.guard import Checked

FOLDER = Path(demo_feed.__file__).parent
PLANTED = tomllib.loads((FOLDER / "planted.toml").read_text(encoding="utf-8"))
INSTRUMENTS = settings.load(FOLDER / "instruments.toml")
SYMBOLS = sorted(INSTRUMENTS.instruments)
PLANTED_IN = sorted({case["instrument"] for case in PLANTED["case"]})
ACCOUNT = Account(equity=Decimal(50_000), currency="XTS", fx={"EUR": Decimal("1.25")})
MIRRORED = {"long": 1, "short": -1}

Case = dict[str, Any]


@dataclass(frozen=True)
class Replayed:
    """An instrument of the demo feed as the guard and the engine see it."""

    checked: Checked
    events: list[Event]

    @property
    def bars(self) -> Bars:
        return self.checked.bars

    @property
    def setups(self) -> dict[tuple[str, str], dict[str, Any]]:
        found = (event.data for event in self.events if event.kind == "setup.qualified")
        return {(data["bar_close"], data["direction"]): data for data in found}

    def index(self, bar_close: str) -> int:
        moment = int(datetime.fromisoformat(bar_close).timestamp()) * 1_000_000_000
        (index,) = np.flatnonzero(self.bars.close_time == moment)
        return int(index)


@cache
def replayed(symbol: str) -> Replayed:
    (file,) = FOLDER.glob(f"{symbol}.[cp]*")
    (recording,) = RecordedFeed.recordings([file])
    assert recording.symbol == symbol
    watched = INSTRUMENTS.of(symbol)
    pipeline = Pipeline(
        watched.instrument,
        watched.calendar,
        watched.base,
        watched.timeframes,
        rules=watched.rules,
        account=ACCOUNT,
    )
    (raw,) = recording.bars
    checked = pipeline.check(raw)
    return Replayed(checked, list(pipeline.events(checked.bars)))


def judged(cases: list[Case], symbol: str) -> list[tuple[Case, Judgement, float]]:
    """Judge each case at its bar, in its direction; with the ATR there."""
    replay, watched = replayed(symbol), INSTRUMENTS.of(symbol)
    engine = SeriesEngine(watched.instrument, watched.base, watched.rules)
    done, answers = 0, []
    for case in sorted(cases, key=lambda case: str(case["bar_close"])):
        end = replay.index(case["bar_close"]) + 1
        engine.push(replay.bars[done:end])
        done = end
        judgement = engine.judge(MIRRORED[case["direction"]])
        assert judgement is not None
        answers.append((case, judgement, float(engine.series.state["atr"][0, 0])))
    return answers


def cases_of(symbol: str, expected: str) -> list[Case]:
    return [case for case in PLANTED["case"] if case["instrument"] == symbol and case["expected"] == expected]


def holding(measures: dict[str, Any]) -> list[str]:
    return [name for name, measure in measures.items() if measure["verdict"]]


@pytest.mark.parametrize("symbol", PLANTED_IN)
def test_every_planted_setup_is_found_with_its_places_evidence_and_levels(symbol: str) -> None:
    setups = replayed(symbol).setups
    for case in cases_of(symbol, "found"):
        data = setups[case["bar_close"], case["direction"]]
        levels = {name: level for name, level in data["levels"].items() if level is not None}
        assert holding(data["places"]) == case["places"], case
        assert data["place"] == case["places"][0], case
        assert holding(data["evidence"]) == case["evidence"], case
        assert (data["evidence_points"], data["evidence_total"]) == (len(case["evidence"]), case["evidence_total"])
        assert levels == case["levels"], case
        assert data["exit_plan"]["style"] == case["exit"], case
        assert ("average" in data["level_reasons"]["obstacle"]) == case[
            "obstacle_is_average"
        ] or "obstacle" not in levels


@pytest.mark.parametrize("symbol", PLANTED_IN)
def test_every_decoy_is_missed_for_its_one_rule(symbol: str) -> None:
    setups = replayed(symbol).setups
    for case, judgement, _ in judged(cases_of(symbol, "missed"), symbol):
        assert (case["bar_close"], case["direction"]) not in setups, case
        misses = [name for name, rule in judgement.rules.items() if not rule["verdict"]]
        if case["rule"] == "warm_up":
            assert (misses, judgement.plan) == ([], None), case
        else:
            assert misses == [case["rule"]], case


@pytest.mark.parametrize("symbol", PLANTED_IN)
def test_what_comes_after_a_planted_setup_is_what_was_planned(symbol: str) -> None:
    bars = replayed(symbol).bars
    for case, judgement, atr in judged([case for case in cases_of(symbol, "found") if "after" in case], symbol):
        sign, after = MIRRORED[case["direction"]], replayed(symbol).index(case["bar_close"]) + 1
        early, break_, stop = (sign * float(case["levels"][name]) for name in ("early", "break", "stop"))
        opened = sign * bars.open[after]
        best, worst = sorted((sign * bars.high[after], sign * bars.low[after]), reverse=True)
        if case["after"] == "gapped away":
            assert opened > early + 0.5 * atr, case
        elif case["after"] == "gapped beyond the stop":
            assert opened <= stop, case
        elif case["after"] == "entry and stop in one bar":
            assert stop < opened < break_ <= best, case
            assert worst <= stop, case
        else:
            crossed = replayed(symbol).index(case["average_close"])
            closes = sign * bars.close[: crossed + 1]
            beyond = [closes[bar] > closes[bar - 49 : bar + 1].mean() for bar in range(after - 1, crossed + 1)]
            assert beyond == [False] * (crossed - after + 1) + [True], case
            high_b = sign * (bars.high if sign > 0 else bars.low)[after - 1]
            assert (closes[-1] > high_b) == case["average_close_beyond_b"], case
            assert judgement.plan is not None


def test_every_case_is_there_in_both_directions() -> None:
    planted = sorted((case["name"], case["direction"]) for case in PLANTED["case"])
    cases = [*(case.name for case in (*FOUND, *DECOYS)), "before_warm", "on_hold"]
    assert planted == sorted((name, direction) for name in cases for direction in MIRRORED)
    missed = {(case["rule"], case["direction"]) for case in PLANTED["case"] if case["expected"] == "missed"}
    rules = next(iter(replayed("TERNFERRY").setups.values()))["rules"]
    assert missed == {(rule, direction) for rule in [*rules, "warm_up"] for direction in MIRRORED}


@pytest.mark.parametrize("direction", MIRRORED)
def test_every_branch_of_plan_and_evidence_occurs(direction: str) -> None:
    found = [case for case in PLANTED["case"] if case["expected"] == "found" and case["direction"] == direction]
    assert {case["stop_base"] for case in found} == {"doji", "last bar", "doji, last bar too far"}
    assert {case["stop_margin"] for case in found} == {"step", "ATR"}
    assert {(case["exit"], "average" in case["levels"]) for case in found} == {
        ("ride", True),
        ("ride", False),
        ("quick", True),
        ("quick", False),
    }
    assert {(case["obstacle_is_average"], "obstacle" in case["levels"]) for case in found} == {
        (True, True),
        (False, True),
        (False, False),
    }
    points = set().union(*(case["evidence"] for case in found))
    assert len(points) == 10
    assert all(any(point not in case["evidence"] for case in found) for point in points)
    assert {case["evidence_total"] for case in found} == {9, 10}


def test_only_the_split_holds_a_series() -> None:
    for symbol in SYMBOLS:
        said = [(event.kind, event.data["bar_close"]) for event in replayed(symbol).events]
        planted = [
            (f"series.{each['expected']}", each["bar_close"])
            for each in PLANTED["series"]
            if each["instrument"] == symbol and each["expected"] != "not held"
        ]
        assert [each for each in said if each[0] != "setup.qualified"] == planted
    (leap,) = (each for each in PLANTED["series"] if each["expected"] == "not held")
    bars = replayed(leap["instrument"]).bars
    bar = replayed(leap["instrument"]).index(leap["bar_close"])
    opened, last = bars.open[bar], bars.close[bar - 1]
    watched = INSTRUMENTS.of(leap["instrument"])
    engine = SeriesEngine(watched.instrument, watched.base, watched.rules)
    engine.push(bars[:bar])
    assert last - opened > 5 * engine.series.state["atr"][0, 0]
    assert 0.7 < opened / last < 0.8


def test_the_guard_finds_the_damage_and_nothing_else() -> None:
    notes = {(note.row, note.reason) for note in replayed("TORNLEDGER").checked.notes}
    damage = {(each["line"], each["reason"]) for each in PLANTED["damage"]}
    assert damage <= notes
    # A refused row leaves a hole, which is noted at the row after it.
    refused = {line for line, _ in damage}
    assert all(reason == "missing bars" and line - 1 in refused for line, reason in notes - damage)
    for symbol in SYMBOLS:
        if symbol != "TORNLEDGER":
            counts = replayed(symbol).checked.counts
            assert set(counts) <= {"missing bars", "no trade"}, symbol
            assert counts["missing bars"] == (8 if symbol == "WHELKCHIT" else 0)


def test_planted_setups_are_a_minority_and_setups_are_as_rare_as_in_a_market() -> None:
    found = sum(len(replayed(symbol).setups) for symbol in SYMBOLS)
    planted = sum(case["expected"] == "found" for case in PLANTED["case"])
    bars = sum(len(replayed(symbol).bars) for symbol in SYMBOLS)
    assert planted < found / 3
    assert 0.5 < 1_000 * (found - planted) / bars < 1.5


def test_sizes_are_given_and_some_setups_are_too_small_to_trade() -> None:
    entries = [data["entries"]["break"] for symbol in SYMBOLS for data in replayed(symbol).setups.values()]
    assert {Decimal(entry["size"]) > 0 for entry in entries} == {True, False}
    assert all("too small to trade" in entry["size_reason"] for entry in entries if Decimal(entry["size"]) == 0)


def test_the_files_are_small_and_say_that_they_are_invented() -> None:
    data = [file for ending in ("parquet", "csv", "toml") for file in FOLDER.glob(f"*.{ending}")]
    assert sum(file.stat().st_size for file in data) < 3_000_000
    for file in FOLDER.glob("*.parquet"):
        assert b"nvented" in parquet.read_schema(file).metadata[b"about"]
    for name in ("README.md", "planted.toml", "instruments.toml", "make_demo_feed.py"):
        assert "nvented" in (FOLDER / name).read_text(encoding="utf-8")


def test_prices_are_whole_steps() -> None:
    for symbol in SYMBOLS:
        step = INSTRUMENTS.of(symbol).instrument.steps.at(Decimal(1))
        bars = replayed(symbol).bars
        for price in np.unique(np.concatenate([bars.open, bars.high, bars.low, bars.close])).tolist():
            assert Decimal(repr(price)) % step == 0, (symbol, price)


def test_the_script_makes_these_files_again(tmp_path: Path) -> None:
    make(tmp_path)
    for made in sorted(tmp_path.iterdir()):
        kept = FOLDER / made.name
        if made.suffix == ".parquet":
            assert parquet.read_table(made).equals(parquet.read_table(kept), check_metadata=True), made.name
            writers = [parquet.read_metadata(file).created_by for file in (made, kept)]
            if writers[0] != writers[1]:
                continue  # another version of the library packs the same table into other bytes
        assert made.read_bytes() == kept.read_bytes(), made.name
    assert len(list(tmp_path.iterdir())) == len(SYMBOLS) + 1
