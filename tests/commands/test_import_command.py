"""``closewatch import``: what it says of files, the bars that it writes, and how bad files among good ones fare."""

from __future__ import annotations

import gzip
from typing import TYPE_CHECKING

import pytest

from scanner.cli.command_line import app
from scanner.commands.trouble import run_guarded
from tests.adapters.zoo import daily, intraday  # noqa: F401 - each puts its files into the zoo
from tests.adapters.zoo.animals import ZOO

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    Run = Callable[..., tuple[int, str, str]]

GERMAN = (
    "Kurse der Woche\n\nDatum;Eröffnung;Hoch;Tief;Schluss;Umsatz;Stück\n"
    "05.03.2024;1.002,50 €;1.010,00 €;998,00 €;1.004,75 €;9,1 Mio.;22,35 Tsd.\n"
    "04.03.2024;999,50 €;1.003,25 €;990,00 €;1.002,00 €;8,7 Mio.;19 Tsd.\n"
    "01.03.2024;980,00 €;1.000,00 €;979,50 €;999,25 €;8,9 Mio.;-\n"
)
TOLD = """
  form          CSV with semicolons between the fields, in Windows-1252
  columns       time "Datum", open "Eröffnung", high "Hoch", low "Tief", close "Schluss", volume
                "Stück"
  not read      "Umsatz"
  times         days, written %d.%m.%Y
  decimal mark  comma
  currency      prices are marked €
  order         newest first; turned round

gannet
  bars          3 bars of 1d, 2024-03-01 to 2024-03-05
  refused       0 of 3 rows
  price step    0.01, estimated
  the first     2024-03-01: open 980, high 1000, low 979.5, close 999.25, no volume
                2024-03-04: open 999.5, high 1003.25, low 990, close 1002, volume 19,000
                2024-03-05: open 1002.5, high 1010, low 998, close 1004.75, volume 22,350

"""


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Run:
    def typed(*words: str | Path) -> tuple[int, str, str]:
        code = run_guarded(app, list(map(str, words)))
        return code, *capsys.readouterr()

    return typed


def test_a_file_that_may_be_cut_off_is_reported(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "gannet.csv"
    path.write_bytes(GERMAN.encode()[:-2] + b"12")
    assert "no line end; if the file was cut off there, its last number is wrong" in run("import", path)[1]
    told = f"{path}: the last line has no line end; if the file was cut off there, its last number is wrong\n"
    assert told in run("replay", path)[2]
    for whole in (GERMAN.encode(), GERMAN.encode("utf-16"), gzip.compress(GERMAN.encode()[:-2])):
        path.write_bytes(whole)
        assert "no line end" not in run("import", path)[1]


def test_what_is_understood_is_reported(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "gannet.csv"
    path.write_bytes(GERMAN.encode("cp1252"))
    code, said, _ = run("import", path)
    assert (code, said) == (0, f"{path}{TOLD}")


@pytest.mark.parametrize("name", ["German", "clock times of New York, newest first"])
def test_the_bars_that_are_written_give_the_same_events(run: Run, tmp_path: Path, name: str) -> None:
    animal = ZOO[name]()
    path, clean = tmp_path / "SPX.csv", tmp_path / "clean.parquet"
    path.write_bytes(animal.content)
    zone = ("--tz", str(animal.options.get("tz", "UTC")))
    assert run("import", path, *zone, "--out", clean)[0] == 0
    events = [run("replay", each, "--events", "-", *zone)[1] for each in (path, clean)]
    assert events[0] == events[1]
    assert '"closewatch.setup.qualified"' in events[0]


def test_a_bad_file_of_a_folder_is_named_at_the_end_and_ends_nothing(run: Run, tmp_path: Path) -> None:
    (tmp_path / "gannet.csv").write_bytes(GERMAN.encode())
    (tmp_path / "heron.csv").write_text("Datum;Schluss\n04.03.2024;10\n")
    (tmp_path / "ibis.csv").write_text("Datum;Open;High;Low;Close\n13.02.2024;17.712;17.803;17.650;17.777\n")
    (tmp_path / "knot.csv").write_text("Date,Open,High,Low,Close\n2024-03-04,1,2,1,2\n")
    troubles = (
        f"not read: {tmp_path / 'heron.csv'}: no column is named open, high, low; ",
        f'not read: {tmp_path / "ibis.csv"}: "17.712" can be read as 17712 or with a decimal point, ',
        f"not read: {tmp_path / 'knot.csv'}: the spacing of the bars of 'knot' shows no timeframe; ",
    )
    for words in (("import", tmp_path), ("replay", tmp_path)):
        code, said, told = run(*words)
        assert code == 2
        assert "gannet" in said
        lines = [line for line in told.splitlines() if line.startswith("not read: ")]
        assert len(lines) == len(troubles)
        assert all(line.startswith(trouble) for line, trouble in zip(lines, troubles, strict=True)), lines
    (tmp_path / "knot.csv").unlink()
    code, said, told = run("explain", tmp_path, "--at", "2024-03-04")
    assert (code, told.count("not read: ")) == (0, 2)
    assert "1002" in said
    (tmp_path / "gannet.csv").unlink()
    code, said, told = run("replay", tmp_path)
    assert (code, said) == (2, "")
    assert told.splitlines()[-1] == "closewatch: none of the files can be read"


def test_days_and_times_of_day_do_not_go_into_one_file(run: Run, tmp_path: Path) -> None:
    (tmp_path / "days.csv").write_bytes(GERMAN.encode())
    rows = "".join(f"2024-03-04T10:{minute:02}Z,1,2,1,2\n" for minute in range(3))
    (tmp_path / "minutes.csv").write_text("time,open,high,low,close\n" + rows)
    code, _, told = run("import", tmp_path, "--out", tmp_path / "out.parquet")
    assert code == 2
    assert told.endswith("some files hold daily bars and others intraday bars; import them into separate files\n")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["days.csv", "minutes.csv"]
