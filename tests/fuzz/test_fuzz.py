"""The fuzzing itself: it finds planted faults, says how to repeat them, and reaches all layers."""

from __future__ import annotations

import re
from collections import Counter
from importlib import import_module
from pathlib import Path
from random import Random
from typing import Any

import pytest

from adapters.feeds.files.trouble import ReadingOptions
from adapters.feeds.json_rows import RowReader
from adapters.feeds.mqtt_bars import MqttBarsFeed
from tests.fuzz import bar_files, planted
from tests.fuzz.__main__ import KINDS, main
from tests.fuzz.cases import case_of, outcome
from tests.fuzz.json_messages import Pushed
from tests.fuzz.oddities import written
from tests.fuzz.onward import TAPE, Found, take, tape_rows
from tests.fuzz.shapes import SHAPES, rows_of

PLANTED = {"planted": "tests.fuzz.planted"}
SEED = 9
"""Plants one of each fault."""
SOME = 100


def planted_numbers() -> dict[str, int]:
    numbers = range(planted.COUNT)
    return {planted.make(Random(f"{SEED} planted {number}"), Path()).does: number for number in numbers}


def test_every_planted_fault_is_told_with_the_way_to_see_it_again(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--seed", str(SEED), "--most-seconds", "0.2"], PLANTED) == 1
    told = capsys.readouterr().out
    assert re.search(r"^planted cases +40 +18 +18 +0 +3 +1 +0\.2", told, re.MULTILINE), told
    assert f"seed {SEED}, " in told
    numbers = planted_numbers()
    for fault, where in (
        ("raises", "fault: KeyError in run, fuzz/planted.py"),
        ("waits", "hang: TooLongError in run, fuzz/planted.py"),
        ("dies", "fault: the process died with -9"),
        ("hides", "fault: a sentence cannot be printed on one line"),
    ):
        again = f"  python -m tests.fuzz planted --seed {SEED} --case {numbers[fault]}"
        assert re.search(rf"^{where}.* \(1 of 40 planted cases\)\n{again}$", told, re.MULTILINE), fault


def test_one_case_alone_is_shown_with_its_traceback(capsys: pytest.CaptureFixture[str]) -> None:
    numbers = planted_numbers()
    assert main(["planted", "--seed", str(SEED), "--case", str(numbers["raises"])], PLANTED) == 1
    told = capsys.readouterr().out
    assert told.startswith("Planted(does='raises')\n")
    assert told.endswith("KeyError: 'planted'\n")
    assert main(["planted", "--seed", str(SEED), "--case", str(numbers["is taken"])], PLANTED) == 0


def test_without_a_fault_the_exit_code_is_0(capsys: pytest.CaptureFixture[str]) -> None:
    first = min(planted_numbers()[fault] for fault in planted.FAULTS)
    assert main(["--seed", str(SEED), "--part", str(first / planted.COUNT)], PLANTED) == 0
    assert "--case" not in capsys.readouterr().out


@pytest.mark.parametrize("name", KINDS)
def test_cases_are_the_same_every_time_and_end_in_every_way(name: str, tmp_path: Path) -> None:
    kind: Any = import_module(KINDS[name])
    kind.warm_up()
    shown = []
    for turn in ("a", "b"):
        (tmp_path / turn).mkdir()
        for number in range(30):
            folder = tmp_path / turn / str(number)
            folder.mkdir()
            shown.append(str(case_of(kind, name, 1, number, folder)).replace(str(tmp_path / turn), ""))
    assert shown[:30] == shown[30:]
    assert len(set(shown)) > 25
    ends = Counter(outcome(kind, name, 1, number).end for number in range(SOME))
    assert ends["taken"] > SOME // 20, ends
    assert ends["refused"] > SOME // 4, ends


def test_the_bars_that_are_changed_hold_the_whole_story_of_a_setup() -> None:
    found = Found()
    take(tape_rows(), found)
    # Found, entered, told to leave, left.
    assert (found.bars, found.events) == (len(TAPE), 4)
    written_out, options = bar_files.good_file("csv", "epoch s", 0)
    assert written_out.count(b"\n") == len(TAPE) + 1
    assert options == ReadingOptions()


def test_each_shape_of_message_is_taken_where_nothing_is_wrong_with_it() -> None:
    settings = {"host": "h.example.org", "client_id": "x", "topic": "bars/{symbol}/{timeframe}"}
    for shape in SHAPES:
        payload, good = (
            written(shape.write(rows_of("s", name, 3)[-count:])).encode() for name, count in (("HRB", 3), ("MLL", 1))
        )
        found = Pushed(MqttBarsFeed, settings | shape.settings, "bars/HRB/15m", payload, good).run()
        assert (found.bars, found.sentences) == (3, []), shape


def test_a_defect_in_a_reader_is_found_even_where_the_feed_outlives_it(monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: object) -> None:
        raise KeyError("planted")

    monkeypatch.setattr(RowReader, "bars", fail)
    kind: Any = import_module(KINDS["json"])
    ends = Counter(
        outcome(kind, "json", 1, number).end
        for number in range(100)
        if isinstance(case_of(kind, "json", 1, number, Path()), Pushed)
    )
    assert ends["fault"] > 10, ends
    assert not ends["taken"]


def test_a_seed_makes_other_cases_than_another() -> None:
    kind: Any = import_module(KINDS["json"])
    assert kind.make(Random("1 json 1"), Path()) != kind.make(Random("2 json 1"), Path())
