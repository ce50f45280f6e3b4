"""What ``closewatch study`` leaves behind: a look in the ledger, a hypothesis, and a record that a station quotes."""

from __future__ import annotations

import gzip
import json
from shutil import copy
from typing import TYPE_CHECKING

import pytest

from scanner.cli.command_line import app
from scanner.commands.station.record_notes import RecordNotes
from scanner.commands.trouble import run_guarded
from scanner.configuration.model.settings import load
from scanner.studies.kept.ledger import NAME, read
from scanner.studies.kept.record import read as read_record
from tests.adapters.samples import setup_event
from tests.outside.real_bars import INDEX_TIME_FORMAT, SP500

if TYPE_CHECKING:
    from pathlib import Path

CONFIG = """
[station]
store = "kept.db"
[setups.hammer]
[defaults]
feed = "tape"
timeframes = ["1d"]
step = "0.01"
[instruments.sp500]
[feeds.tape]
type = "folder"
path = "."
"""


LATEST = 1_300
"""Bars of the S&P 500 that are enough where the results do not matter."""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "bars").mkdir()
    header, *rows = gzip.decompress(SP500.read_bytes()).splitlines(keepends=True)
    (tmp_path / "bars" / SP500.name).write_bytes(gzip.compress(b"".join([header, *rows[-LATEST:]])))
    (tmp_path / "watch.toml").write_text(CONFIG, encoding="utf-8")
    return tmp_path


def studied(folder: Path, *words: str) -> int:
    how = ("--time-format", INDEX_TIME_FORMAT, "--workers", "1", "--out", str(folder / "study"))
    return run_guarded(app, ["study", str(folder / "bars"), *how, *words])


def test_each_other_question_is_a_look_and_the_record_makes_up_for_them(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    copy(SP500, folder / "bars")
    config = ("--config", str(folder / "watch.toml"))
    assert studied(folder) == studied(folder) == 0
    assert studied(folder, *config, "--keep") == 0
    shown = capsys.readouterr()
    first, second, third = read([folder / "bars"]).looks
    assert first.key == second.key
    assert third.asked.words == "doji pause, hammer on 1d, break entry, by watch.toml"
    assert third.variants > first.variants > 20
    assert third.variants == len(json.loads((folder / "study" / "FIGURES.json").read_text())["rules"]["variants"])
    path = folder / "kept.db.study.json"
    assert f"kept for alerts: {path}" in shown.out
    assert shown.err.strip() == ""
    assert "could not be counted" not in shown.out
    assert (
        f"noted in {folder / 'bars' / NAME}: {2 + first.variants} looks at these bars, this one included" in shown.out
    )
    record = read_record(path)
    assert record is not None
    assert record.looks == 1 + (1 + first.variants) + len(record.kinds) - 1
    trades = json.loads(path.read_text())["kinds"]
    assert {each["setup"] for each in trades} == {"doji_pause", "hammer"}
    assert sum(each["closed"] for each in trades) > 10
    known = load(folder / "watch.toml")
    notes = RecordNotes(known.store_path, lambda: known, lambda: record.last, print)
    assert notes(setup_event("sp500", "1d", "short")).startswith(
        "So far 2 of this kind on your bars: too few to say any"
    )
    assert "other rules" not in notes(setup_event("sp500", "1d"))


def test_a_hypothesis_is_written_down_before_and_judged_after(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert studied(folder, "--register", "falling", "--where", "direction=short") == 0
    told = capsys.readouterr().out
    assert told.startswith(f"Recorded as falling, in {folder / 'bars' / NAME}: direction short; doji pause on 1d, ")
    assert "It is tested only on setups found after " in told
    assert not (folder / "study").exists(), "nothing was studied"
    ledger = read([folder / "bars"])
    (hypothesis,) = ledger.hypotheses
    assert ledger.looks == ()
    assert hypothesis.at == hypothesis.after > hypothesis.bars.last
    assert studied(folder) == 0
    assert "Hypothesis falling, on what was found after " in capsys.readouterr().out
    assert studied(folder, "--config", str(folder / "watch.toml")) == 0
    shown = capsys.readouterr()
    assert "Hypothesis falling" not in shown.out
    assert shown.err.startswith(
        "the hypothesis falling is not tested here: it was recorded for doji pause on 1d, break "
    )


def test_another_price_step_is_another_question(folder: Path) -> None:
    for name, step in (("known", ()), ("again", ()), ("coarse", ("--step", "0.05")), ("fine", ("--step", "0.01"))):
        assert studied(folder, "--register", name, *step) == 0
    known, again, *others = (each.asked.key for each in read([folder / "bars"]).hypotheses)
    assert known == again
    assert len({known, *others}) == 3


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("--register", "known"), "--register known: a hypothesis of this name is already recorded"),
        (("--register", "a\nb"), "--register takes a name of at most 60 visible characters, not 'a\\nb'"),
        (("--register", "a", "--where", "net_r=1"), "--where net_r=1: that is not known when a setup is found; "),
        (("--register", "a", "--where", "directon=long"), "when a setup is found; did you mean direction?"),
        (("--register", "a", "--where", "direction=lng"), "files has that direction; did you mean long?"),
        (("--register", "a", "--where", "long"), "a column and its value, such as direction=long, not 'long'"),
        (("--register", "a", "--where", "hour=1", "--where", "hour=2"), "--where hour=2: hour is given twice; "),
        (("--where", "direction=long"), "give --register NAME too"),
        (("--keep",), "give --config too"),
        (("--register", "a", "--keep"), "leave --keep out"),
    ],
)
def test_what_cannot_be_asked_is_one_sentence_and_leaves_nothing(
    folder: Path, words: tuple[str, ...], sentence: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert studied(folder, "--register", "known") == 0
    before = (folder / "bars" / NAME).read_bytes()
    capsys.readouterr()
    assert studied(folder, *words) == 2
    assert sentence in capsys.readouterr().err
    assert (folder / "bars" / NAME).read_bytes() == before
    assert not (folder / "study").exists()


def test_where_the_ledger_cannot_be_written_the_verdict_says_so(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (folder / "bars" / NAME).symlink_to("/dev/full")
    assert studied(folder) == 0
    shown = capsys.readouterr()
    assert "Earlier looks at these bars could not be counted." in shown.out
    assert shown.err.count("\n") == 1
    assert "the ledger of looks cannot be written (No space left on device); check the permissions" in shown.err
