"""Studies of files: on any number of processes or on a cluster, resumed, with bad files among them."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import replace
from shutil import copy
from typing import TYPE_CHECKING

import orjson
import pandas as pd
import pyarrow as pa
import pytest
from pyarrow import parquet

import scanner
from scanner.analysis.rules import Rules
from scanner.configuration.model.settings import from_document
from scanner.present.reports.study_summary import summary
from scanner.replays.recordings import Reading
from scanner.studies.checked import Unjudged, left_out
from scanner.studies.figures.report import report_of
from scanner.studies.jobs import do_all, jobs_of, look_at
from scanner.studies.kept.ledger import read
from scanner.studies.parts import Part
from scanner.studies.running import PARTS, How, StudyError, study_files
from scanner.studies.stories.collecting import Asked
from tests.commands.typed import RUN, closewatch
from tests.configuration.examples import CONFIG
from tests.configuration.test_own_setups import WITH_OTHER_WORDS
from tests.laws import real_series
from tests.outside.real_bars import INDEX_TIME_FORMAT, NASDAQ, SHARES, SP500

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from distributed import LocalCluster

    from scanner.studies.schema import Study

REAL = (SP500, NASDAQ, SHARES)
READING = Reading(time_format=INDEX_TIME_FORMAT)


def studied(paths: Sequence[Path], how: How) -> tuple[Study, list[str]]:
    return study_files(paths, READING, Asked(), how)


def assert_equal(one: Study, other: Study) -> None:
    """Compare two studies, to the last digit."""
    pd.testing.assert_frame_equal(one.trades, other.trades, check_exact=True)
    pd.testing.assert_frame_equal(one.members, other.members)
    assert (one.variants, one.files, one.settings_mark) == (other.variants, other.files, other.settings_mark)
    assert (one.bars, one.series, one.first, one.last) == (other.bars, other.series, other.first, other.last)
    assert one.checked == other.checked


@pytest.fixture(scope="module")
def alone() -> Study:
    return studied(REAL, How(workers=1))[0]


def table_of(name: str, first: int = 0, last: int | None = None) -> pa.Table:
    bars = real_series(name)[first:last]
    columns = {key: getattr(bars, key) for key in ("open", "high", "low", "close", "volume")}
    return pa.table({"time": pa.array(bars.open_time, pa.timestamp("ns", tz="UTC")), **columns})


def test_neither_processes_nor_order_change_a_figure(alone: Study) -> None:
    assert_equal(alone, studied(REAL[::-1], How(workers=2))[0])


def test_a_file_that_goes_while_the_study_runs_costs_its_instrument_alone(tmp_path: Path) -> None:
    paths = [tmp_path / f"{name}.csv.gz" for name in ("early", "late", "stays")]
    for path in paths:
        copy(SP500, path)
    files, troubles = look_at(paths, READING), list[str]()
    paths[1].unlink()
    jobs = list(jobs_of(files, READING, Asked(), troubles))
    paths[0].unlink()
    (done,) = do_all(jobs)
    troubles += done.troubles
    assert [part.instruments[0].instrument for part in map(Part.from_bytes, done.parts)] == ["stays"]
    why = "it cannot be read (No such file or directory); leave the files as they are until a study has ended"
    assert troubles == [f"{paths[1]}: {why}", f"{paths[0]}: {why}"]


def test_finished_parts_are_kept_and_not_made_again(alone: Study, tmp_path: Path) -> None:
    how = How(tmp_path, workers=1)
    assert_equal(alone, studied(REAL, how)[0])
    kept = {path: path.stat().st_mtime_ns for path in (tmp_path / PARTS).iterdir()}
    assert len(kept) == 7
    gone, damaged, cut, *rest = sorted(kept)
    gone.unlink()
    damaged.write_bytes(damaged.read_bytes()[:100])
    part = Part.from_bytes(cut.read_bytes())
    cut.write_bytes(replace(part, trades=part.trades.slice(0, 1)).to_bytes())
    assert_equal(alone, studied(REAL, how)[0])
    made = {path for path, moment in kept.items() if path.stat().st_mtime_ns != moment}
    assert made == {gone, damaged, cut}
    assert {path.suffix for path in (tmp_path / PARTS).iterdir()} == {".arrow"}
    assert rest


def test_another_file_rule_or_seed_is_another_part(tmp_path: Path) -> None:
    path, how = tmp_path / "IBM.parquet", How(tmp_path / "out", workers=1)
    parquet.write_table(table_of("IBM"), path)
    study_files([path], READING, Asked(), how)
    study_files([path], READING, Asked(seed=1), how)
    study_files([path], Reading(calendar="XNYS"), Asked(), how)
    parquet.write_table(table_of("IBM", 100), path)
    shorter, _ = study_files([path], READING, Asked(), how)
    assert shorter.bars == len(real_series("IBM")) - 100
    assert len(list((tmp_path / "out" / PARTS).iterdir())) == 4


@pytest.mark.parametrize("changed", ["measured", "worded"])
def test_an_own_setup_with_other_code_is_another_part(tmp_path: Path, changed: str) -> None:
    """Its functions may be in several files."""
    source, bars = tmp_path / f"{changed}.py", tmp_path / "IBM.parquet"
    source.write_text((CONFIG / "own_setup.py").read_text())
    if changed == "worded":
        source.rename(tmp_path / "own_setup.py")
        source.write_text(WITH_OTHER_WORDS.format(changed="rules=said.rules"))
    table = {"two_steps": {"object": f"{changed}:SETUP"}}
    known = from_document({"setups": table, "feeds": {"files": {"type": "folder", "path": "."}}}, tmp_path, {})
    parquet.write_table(table_of("IBM"), bars)
    reading, how = Reading(settings=known, rulebook=known.rulebook_of()), How(tmp_path / "out", workers=1)
    before, _ = study_files([bars], reading, Asked(), how)
    source.write_text(source.read_text() + "# or anything else\n")
    after, _ = study_files([bars], reading, Asked(), how)
    assert len(list((tmp_path / "out" / PARTS).iterdir())) == 2
    assert before.settings_mark != after.settings_mark


def test_a_file_with_another_name_is_named_by_it(tmp_path: Path) -> None:
    path, how = tmp_path / "IBM.parquet", How(tmp_path / "out", workers=1)
    parquet.write_table(table_of("IBM"), path)
    study_files([path], READING, Asked(variants=False, draws=0), how)
    renamed = path.rename(tmp_path / "IBM.pq")
    again, _ = study_files([renamed], READING, Asked(variants=False, draws=0), how)
    assert [each.name for each in again.files] == ["IBM.pq"]


def test_a_bad_file_is_named_and_stops_nothing(alone: Study, tmp_path: Path) -> None:
    bad = tmp_path / "bad.csv"
    bad.write_text("when,what\n1,2\n")
    study, troubles = studied([*REAL, bad, tmp_path / "none.csv"], How(workers=1))
    assert_equal(alone, study)
    assert [str(tmp_path / name) in trouble for name, trouble in zip(("bad.csv", "none.csv"), troubles, strict=True)]
    with pytest.raises(StudyError, match="there is no such file"):
        studied([tmp_path / "none.csv"], How(workers=1))


@pytest.mark.parametrize("workers", [1, 2])
def test_an_instrument_with_bad_rows_is_left_out_and_the_others_are_studied(tmp_path: Path, workers: int) -> None:
    bars = tmp_path / "bars"
    bars.mkdir()
    for name in ("AAPL", "IBM", "MSFT"):
        parquet.write_table(table_of(name), bars / f"{name}.parquet")
    alone, _ = studied([bars], How(workers=1))
    bad = table_of("GOOG")
    refused = bad.set_column(bad.column_names.index("high"), "high", pa.array([0.0] * len(bad)))
    parquet.write_table(refused, bars / "GOOG.parquet")
    study, (trouble,) = studied([bars], How(tmp_path, workers=workers))
    assert_equal(alone, study)
    assert f"{bars / 'GOOG.parquet'}: " in trouble
    assert len(list((tmp_path / PARTS).iterdir())) == 3


@pytest.mark.parametrize("workers", [1, 2])
def test_refused_rows_are_counted_by_file_whatever_the_files_hold(tmp_path: Path, workers: int) -> None:
    size = len(real_series("IBM"))
    whole, half = table_of("IBM"), size // 2

    def with_refused(table: pa.Table, count: int) -> pa.Table:
        high = [
            0.0 if row % 9 == 8 and row // 9 < count else value for row, value in enumerate(table["high"].to_pylist())
        ]
        return table.set_column(table.column_names.index("high"), "high", pa.array(high))

    shared = [
        with_refused(table_of(name), count).append_column("symbol", pa.array([name] * len(table_of(name))))
        for name, count in (("MSFT", 5), ("GOOG", 6))
    ]
    parquet.write_table(pa.concat_tables(shared), tmp_path / "shared.parquet")
    parquet.write_table(with_refused(whole[:half], 7), tmp_path / "IBM.parquet")
    (tmp_path / "late").mkdir()
    parquet.write_table(with_refused(whole[half:], 8), tmp_path / "late" / "IBM.pq")
    paths = [tmp_path / "shared.parquet", tmp_path / "IBM.parquet", tmp_path / "late"]
    for how in (How(tmp_path / "out", workers=workers), How(tmp_path / "out", workers=1)):
        study, troubles = studied(paths, how)
        assert troubles == []
        assert [(each.file, each.rows, sum(each.refused.values())) for each in study.checked] == [
            ("IBM.parquet", half, 7),
            ("IBM.pq", size - half, 8),
            ("shared.parquet", sum(map(len, shared)), 11),
        ]


@pytest.mark.parametrize("workers", [1, 2])
def test_series_with_too_few_bars_and_those_put_on_hold_are_named(tmp_path: Path, workers: int) -> None:
    whole = table_of("IBM")
    jumping = whole
    for column in ("open", "high", "low", "close"):
        prices = [price / (4 if row >= 1_000 else 1) for row, price in enumerate(whole[column].to_pylist())]
        jumping = jumping.set_column(jumping.column_names.index(column), column, pa.array(prices))
    for name, table in {"JUMP": jumping, "SHORT": whole[:90], "WHOLE": whole}.items():
        parquet.write_table(table, tmp_path / f"{name}.parquet")
    for how in (How(tmp_path / "out", workers=workers), How(tmp_path / "out", workers=1)):
        study, _ = study_files([tmp_path], READING, Asked(variants=False, draws=0), how)
        jump, short = study.unjudged
        assert (jump.series, jump.holds, short) == ("JUMP/1d", 1, Unjudged("SHORT/1d", 0, 0))
        assert jump.judged == len(whole) - 2 * (Rules().warm_up - 1)
        assert left_out(study.checked, study.unjudged)[-2:] == [
            "1 series left out, since it has too few bars for the rules: SHORT/1d",
            "1 series put on hold, 1 time in all, where a price jump may be a split: JUMP/1d",
        ]
    report = orjson.loads(report_of(study).to_json())
    assert [each["series"] for each in report["unjudged"]] == ["JUMP/1d", "SHORT/1d"]
    assert set(left_out(study.checked, study.unjudged)) <= set(summary(study, report_of(study), "UTC"))


def test_a_part_without_counts_of_rows_is_not_taken_for_one(tmp_path: Path) -> None:
    parquet.write_table(table_of("IBM", 0, 600), tmp_path / "IBM.parquet")
    how = How(tmp_path / "out", workers=1)
    study, _ = study_files([tmp_path / "IBM.parquet"], READING, Asked(variants=False, draws=0), how)
    (path,) = (tmp_path / "out" / PARTS).iterdir()
    kept = pa.ipc.open_stream(path.read_bytes()).read_all()
    about = [
        {name: value for name, value in each.items() if name != "checked"}
        for each in orjson.loads(kept.schema.metadata[b"about"])
    ]
    with pa.ipc.new_stream(
        path, kept.schema.with_metadata({**kept.schema.metadata, "about": orjson.dumps(about)})
    ) as older:
        older.write_table(kept)
    again, _ = study_files([tmp_path / "IBM.parquet"], READING, Asked(variants=False, draws=0), how)
    assert again.checked == study.checked
    assert [each.rows for each in again.checked] == [600]


def test_processes_load_the_program_and_not_what_lies_in_the_current_folder(tmp_path: Path) -> None:
    (tmp_path / "numpy.py").write_text("raise SystemExit('not the library')\n")
    for name in ("AAPL", "IBM"):
        parquet.write_table(table_of(name, 0, 600), tmp_path / f"{name}.parquet")
    script = tmp_path / "scripts" / "run.py"
    script.parent.mkdir()
    script.write_text("from scanner.cli import main\n\nif __name__ == '__main__':\n    main()\n")
    words = [sys.executable, str(script), "study", "AAPL.parquet", "IBM.parquet", "--workers", "2"]
    done = subprocess.run(words, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert (done.returncode, "setups:" in done.stdout) == (0, True), done.stderr


def test_a_long_path_of_temporary_files_stops_no_process(tmp_path: Path) -> None:
    """Processes are forked by one that listens at a socket, whose path may have about a hundred bytes."""
    long = tmp_path / ("long" * 25)
    long.mkdir()
    for name in ("AAPL", "IBM"):
        parquet.write_table(table_of(name, 0, 600), tmp_path / f"{name}.parquet")
    words = [*RUN, "study", "AAPL.parquet", "IBM.parquet", "--workers", "2"]
    environ = os.environ | {"TMPDIR": str(long)}
    done = subprocess.run(words, cwd=tmp_path, env=environ, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")


def test_a_timeframe_that_the_bars_cannot_make_is_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(StudyError) as told:
        study_files([SHARES], Reading(timeframes=("1h",)), Asked(), How(tmp_path, workers=1))
    assert str(told.value) == f"{SHARES}: 1h bars cannot be made of 1d bars"


def test_an_instrument_in_several_files_is_one_series(tmp_path: Path) -> None:
    whole, early, late = (tmp_path / name for name in ("whole", "early", "late"))
    for folder, span in ((whole, (0, None)), (early, (0, 1_500)), (late, (1_500, None))):
        folder.mkdir()
        parquet.write_table(table_of("IBM", *span), folder / "IBM.parquet")
    with_names = table_of("IBM", 1_500).append_column("symbol", pa.array(["IBM"] * (len(real_series("IBM")) - 1_500)))
    shared = tmp_path / "shared.parquet"
    parquet.write_table(with_names, shared)
    one, _ = studied([whole], How(workers=1))
    assert len(one.trades) > 50
    for paths in ([late, early], [early, shared]):
        parted, _ = studied(paths, How(workers=1))
        pd.testing.assert_frame_equal(one.trades, parted.trades, check_exact=True)


def test_from_python_with_files_or_with_tables(tmp_path: Path) -> None:
    with pytest.warns(UserWarning, match=r"rows read|series") as warned:
        by_file = scanner.study(copy(SHARES, tmp_path))
    left = [
        "1 series left out, since it has too few bars for the rules: FB/1d",
        "2 series put on hold, 3 times in all, where a price jump may be a split: AAPL/1d, MSFT/1d",
    ]
    noted = "12,154 rows read, 4 noted (4 price jump): "
    assert [str(each.message) for each in warned] == [f"{noted}stocks.csv.gz 4 noted", *left]
    assert len(read([tmp_path]).looks) == 1
    tables = {}
    for name in ("AAPL", "FB", "GOOG", "IBM", "MSFT"):
        bars = real_series(name)
        index = pd.DatetimeIndex(pd.to_datetime(bars.open_time, unit="ns", utc=True))
        tables[name] = pd.DataFrame(
            {key: getattr(bars, key) for key in ("open", "high", "low", "close", "volume")}, index=index
        )
    with pytest.warns(UserWarning, match=r"rows read|series") as warned:
        by_table = scanner.study(tables)
    assert str(warned[0].message).startswith(f"{noted}AAPL")
    assert [str(each.message) for each in list(warned)[1:]] == left
    pd.testing.assert_frame_equal(by_file.trades, by_table.trades, check_exact=True)
    with pytest.raises(StudyError, match="no column is named close"):
        scanner.study({"IBM": tables["IBM"].drop(columns="close")})
    with pytest.raises(StudyError, match="there is no such file"):
        scanner.study("nowhere.csv")


def test_the_command_writes_tables_and_names_them_and_what_is_missing(tmp_path: Path) -> None:
    words = [
        *(copy(path, tmp_path) for path in REAL),
        "--time-format",
        INDEX_TIME_FORMAT,
        "--workers",
        "1",
        "--out",
        str(tmp_path / "out"),
    ]
    done = closewatch("study", *words, "nowhere.csv")
    assert done.code == 2
    assert "nowhere.csv: there is no such file" in done.err
    assert "11 setups: 0 set aside, 10 entered, 10 closed" in done.out
    assert "Past results prove nothing" in done.out
    trades = pd.read_parquet(tmp_path / "out" / "TRADES.parquet")
    assert len(trades) == len(pd.read_csv(tmp_path / "out" / "TRADES.csv"))
    assert int((trades["found"] & (trades["source"] == "setup")).sum()) == 11
    report = (tmp_path / "out" / "REPORT.html").read_text("utf-8")
    assert "Too few to say: 10 closed trades in 10 months" in report
    assert report.count("data:image/png") == 8


def test_a_cluster_gives_the_same_to_the_last_digit(alone: Study, cluster: LocalCluster, tmp_path: Path) -> None:
    assert_equal(alone, studied(REAL, How(tmp_path, cluster=cluster.scheduler_address))[0])
    assert len(list((tmp_path / PARTS).iterdir())) == 7


def test_without_the_library_a_cluster_is_one_sentence(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    done = closewatch("study", SHARES, "--out", tmp_path / "out", "--cluster", "tcp://127.0.0.1:1")
    assert (done.code, done.err) == (
        2,
        "closewatch: --cluster needs the library dask: install closewatch with its extra `cluster`\n",
    )
