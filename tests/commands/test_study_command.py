"""What ``closewatch study`` says first, and the figures that it writes."""

from __future__ import annotations

from typing import TYPE_CHECKING

import orjson
import pandas as pd

import scanner
from scanner.cli.command_line import app
from scanner.commands.trouble import run_guarded
from scanner.present.reports.study_summary import summary
from tests.commands.typed import closewatch
from tests.outside.real_bars import INDEX_TIME_FORMAT, SP500
from tests.studies.figures.invented import invented

if TYPE_CHECKING:
    from pathlib import Path

    import pytest


def test_the_verdict_comes_first_and_the_figures_are_written(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bars = tmp_path / "sp500.csv.gz"
    bars.write_bytes(SP500.read_bytes())
    how = ("--time-format", INDEX_TIME_FORMAT, "--workers", "1", "--out", str(tmp_path / "study"))
    assert run_guarded(app, ["study", str(bars), *how]) == 0
    shown = capsys.readouterr().out
    figures = orjson.loads((tmp_path / "study" / "FIGURES.json").read_bytes())
    assert shown.startswith("Too few to say: ")
    assert shown.splitlines()[0] == figures["verdict"]["sentence"]
    assert figures["all"]["closed"] == figures["verdict"]["trades"] > 0
    assert figures["all"]["mean"] == {"value": figures["all"]["total"] / figures["all"]["closed"]} | dict.fromkeys(
        ("low", "high")
    )
    assert {each["by"] for each in figures["breakdowns"]} > {"setup", "year", "around_room"}
    assert "FIGURES.json" in shown


def test_a_folder_that_cannot_be_made_is_named_with_the_reason(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "notes"
    file.write_text("mine")
    assert run_guarded(app, ["study", str(SP500), "--workers", "1", "--out", str(file / "study")]) == 2
    assert capsys.readouterr().err.splitlines()[-1] == f"closewatch: {file}/study/parts: Not a directory"


def test_rows_that_were_refused_are_told_also_from_kept_parts(tmp_path: Path) -> None:
    days = pd.date_range("2020-01-01", periods=600)
    bars = pd.DataFrame({"time": days, "open": 10, "high": 11, "low": 9, "close": [10, 10.5] * 300, "volume": 5})
    bars.to_csv(tmp_path / "FULMAR.csv", index=False)
    bars["close"] = bars["close"].astype(str).mask(bars.index % 6 == 5, "n/a")
    bars.loc[7, "volume"] = None
    bars.to_csv(tmp_path / "GANNET.csv", index=False)
    words = ("study", tmp_path, "--workers", "1", "--out", tmp_path / "out")
    told = (
        "1,200 rows read, 100 refused (100 unreadable price), 2 noted (2 missing volume): "
        "GANNET.csv 100 refused and 2 noted"
    )
    for _ in ("made", "kept"):
        done = closewatch(*words)
        assert (done.code, done.err) == (0, "")
        assert told in done.out.splitlines()
        assert told in (tmp_path / "out" / "REPORT.html").read_text("utf-8")
        assert orjson.loads((tmp_path / "out" / "FIGURES.json").read_bytes())["checked"] == [
            {"file": "FULMAR.csv", "rows": 600, "refused": {}, "noted": {}},
            {"file": "GANNET.csv", "rows": 600, "refused": {"unreadable price": 100}, "noted": {"missing volume": 2}},
        ]


def test_the_summary_has_the_mean_with_its_interval() -> None:
    study = invented(400, 40)
    report = scanner.report_of(study, samples=1_000)
    first, *rest = summary(study, report, "UTC")
    assert first == report.verdict.sentence
    mean = report.all.mean
    assert mean.value is not None
    assert mean.low is not None
    assert mean.high is not None
    row = next(line for line in summary(study, report, "UTC") if line.startswith("setups "))
    assert row.split() == [
        "setups",
        f"{report.all.closed}",
        f"{mean.value:+.2f}",
        *f"{mean.low:+.2f} to {mean.high:+.2f}".split(),
    ]
    assert any("fewer than 30 trades or 12 months" in line for line in rest)
