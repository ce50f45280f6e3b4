"""A station that runs, with the study that was kept beside its store: what its alerts end with."""

from __future__ import annotations

import json
import subprocess
from itertools import islice
from pathlib import Path
from threading import Timer
from typing import TYPE_CHECKING, Any

import pytest
from pyarrow import csv, parquet

from scanner.configuration.model.settings import load
from scanner.studies.kept.marks import rules_marks
from scanner.studies.kept.record import KindRecord, Record, beside
from tests.commands.typed import RUN, closewatch

if TYPE_CHECKING:
    from scanner.configuration.model.settings import Settings

FEED = Path(__file__).parents[2] / "demo_feed" / "WHELKCHIT.parquet"
"""Invented bars, day and night."""
CONFIG = """
[station]
name = "loft"
store = "kept.db"
stale_after = 1000000
[study]
max_age = 100000
[feeds.tape]
type = "folder"
path = "bars"
pattern = "{symbol}.csv"
keep = 2000
[sinks.archive]
type = "jsonl"
path = "-"
[[routes]]
sinks = ["archive"]
kinds = ["setup.qualified", "setup.set_aside"]
[setups.false_break]
[setups.three_bar_pullback]
[defaults]
feed = "tape"
calendar = "24/7"
timeframes = ["15m"]
step = "0.00001"
[instruments.WHELKCHIT]
"""
FOUND = {"closewatch.setup.qualified", "closewatch.setup.set_aside"}
LAST, DAY = 1_735_084_800_000_000_000, 86_400_000_000_000
"""2024-12-25T00:00:00Z, and a day, in nanoseconds."""


@pytest.fixture
def known(tmp_path: Path) -> Settings:
    (tmp_path / "bars").mkdir()
    csv.write_csv(parquet.read_table(FEED).slice(68_500), tmp_path / "bars" / "WHELKCHIT.csv")
    (tmp_path / "watch.toml").write_text(CONFIG, encoding="utf-8")
    return load(tmp_path / "watch.toml")


def replayed(known: Settings) -> dict[str, Any]:
    """Give the setups that a replay of the same bars says, by their ids."""
    done = closewatch("replay", known.folder / "bars", "--config", known.folder / "watch.toml", "--events", "-")
    assert done.code == 0, done.err
    return {each["id"]: each for each in map(json.loads, done.out.splitlines()) if each["type"] in FOUND}


def watched(known: Settings, many: int) -> tuple[list[Any], str]:
    """Watch until a number of setups have come; gives them and the log."""
    words = [*RUN, "watch", str(known.folder / "watch.toml")]
    with subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        too_long = Timer(60, process.kill)
        too_long.start()
        assert process.stdout is not None
        setups = [json.loads(line) for line in islice(process.stdout, many)]
        process.terminate()
        _, log = process.communicate()
        too_long.cancel()
    assert len(setups) == many, log
    return setups, log


def test_alerts_end_with_the_results_of_their_kind_and_events_are_those_of_a_replay(known: Settings) -> None:
    figures: dict[str, Any] = {"share": 0.31, "mean": -0.02, "without_best": -0.1, "low": -0.21, "high": 0.19}
    kind = KindRecord(setup="false_break", direction="long", timeframe="15m", closed=214, verdict="no_sign", **figures)
    rules = rules_marks(known, known.rulebook_of(), known.instruments)
    record = Record(at=LAST + DAY, first=LAST - 900 * DAY, last=LAST, rules=rules, looks=1, kinds=(kind,))
    beside(known.store_path).write_bytes(record.to_bytes())
    events = replayed(known)
    setups, log = watched(known, len(events))
    studied = "(study of Thu 26 Dec 2024, bars to Tue 24 Dec 2024)."
    known_kind = (
        "on your bars: 31 % winners, mean −0.02 R net of costs (95 % interval −0.21 … +0.19), "
        f"without the best 1 % −0.10 R: no sign of an edge {studied}"
    )
    said = []
    for each in setups:
        data = each["data"]
        which = "of this kind that were not set aside" if data["set_aside"] else "of this kind"
        is_known = (data["setup"], data["direction"]) == ("false_break", "long")
        expected = f"214 {which} {known_kind}" if is_known else f"none {which} closed on your bars {studied}"
        said.append(each.pop("record"))
        assert said[-1] == f"So far {expected}"
        assert each == events[each["id"]] | {"source": each["source"]}
    assert len(set(said)) > 1
    assert "cannot be read" not in log


def test_a_damaged_record_is_reported_in_the_log_and_in_alerts(known: Settings) -> None:
    path = beside(known.store_path)
    path.write_bytes(b"{")
    setups, log = watched(known, 3)
    said = "How setups of this kind did is unknown: the kept study cannot be read."
    assert {each["record"] for each in setups} == {said}
    assert log.count(f"{path}: the study kept there cannot be read (") == 1
