"""Options that contradict recorded bars: each ends in a sentence, and in exit code 2."""

from __future__ import annotations

import gzip
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import pytest

from tests.commands.typed import closewatch
from tests.outside.real_bars import SHARES

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

NEW_YORK = ZoneInfo("America/New_York")


def sessions(days: int) -> Iterator[datetime]:
    """Give the openings of quarter hours in New York from Monday 6 May 2024 on, five days a week."""
    for day in range(days):
        start = datetime(2024, 5, 6, 9, 30, tzinfo=NEW_YORK) + timedelta(days=day + day // 5 * 2)
        yield from (start + timedelta(minutes=15 * number) for number in range(26))


def row(number: int) -> str:
    price = 40 + number % 7 / 100
    return f"{price:.2f},{price + 0.05:.2f},{price - 0.04:.2f},{price + 0.01:.2f},900"


def written(path: Path, times: list[str], rows: list[str] | None = None) -> Path:
    lines = rows or [row(number) for number in range(len(times))]
    text = "\n".join(f"{time},{line}" for time, line in zip(times, lines, strict=True))
    path.write_text(f"time,open,high,low,close,volume\n{text}\n")
    return path


@pytest.fixture
def local(tmp_path: Path) -> Path:
    """Write quarter hours of New York without saying so."""
    return written(tmp_path / "gannet.csv", [f"{each:%Y-%m-%d %H:%M}" for each in sessions(15)])


def test_a_step_that_cannot_be_that_of_the_prices_is_refused(local: Path) -> None:
    for step, why in (
        ("0.05", "--step 0.05 is more than half of the usual range of a bar, 0.09; give the step at which prices move"),
        ("0.001", "--step 0.001 is finer than the prices show: 1,000 of 1,000 are multiples of 0.01; give that"),
    ):
        code, out, err = closewatch("replay", local, "--step", step)
        assert (code, out) == (2, "")
        assert why in err
    assert closewatch("replay", local, "--step", "0.01")[0] == 0


@pytest.mark.parametrize(
    ("mark", "currency", "fits"),
    [
        ("€", "EUR", True),
        ("€", "USD", False),
        ("$", "CAD", True),
        ("US$", "CHF", False),
        ("GBX", "GBP", False),  # pence: a hundredth
        ("£", "GBP", True),
    ],
)
def test_prices_marked_with_another_currency_get_no_size_in_the_stated_one(
    mark: str, currency: str, fits: bool, tmp_path: Path
) -> None:
    rows = [",".join(f"{mark}{cell}" for cell in row(number).split(",")[:4]) + ",900" for number in range(100)]
    times = [f"{each:%Y-%m-%d %H:%M}" for each in sessions(4)][:100]
    path = written(tmp_path / "gannet.csv", times, rows)
    (tmp_path / "watch.toml").write_text(f'[instruments.gannet]\ncurrency = "{currency}"\n')
    for said in (("--config", tmp_path / "watch.toml"), ("--equity", "1000", "--currency", currency)):
        code, _, err = closewatch("replay", path, *said)
        assert code == (0 if fits else 2), err
        assert (f"its prices are marked {mark}, but {currency} is given as their currency; " in err) != fits


def test_columns_that_cannot_hold_what_they_are_taken_for_are_refused(tmp_path: Path) -> None:
    header, *lines = gzip.decompress(SHARES.read_bytes()).decode().splitlines()
    rows = [line for line in lines if "IBM" in line]
    names = header.split(",")
    for one, other, why in (
        ("Open", "Close", "the columns of open and close seem to be swapped: each close is usually nearer to the open"),
        ("High", "Volume", "the column of the high seems to hold something else, such as a volume"),
    ):
        swapped = [{"": one, one: other, other: one}.get(name, name) for name in names]
        path = tmp_path / f"{one}.csv"
        path.write_text("\n".join([",".join(swapped), *rows]))
        for words in (("replay", path), ("import", path)):
            code, out, err = closewatch(*words)
            assert (code, out) == (2, "")
            assert why in err
        believed = ("--columns", f"{one.lower()}={one},{other.lower()}={other}")
        assert why not in closewatch("replay", path, *believed).err


def test_times_that_no_session_has_are_reported_with_the_zone_where_they_would_fit(local: Path) -> None:
    code, out, err = closewatch("replay", local, "--calendar", "XNYS")
    assert (code, out) == (2, "")
    assert "more than a fifth, so the rest is not used either" in err
    assert "; these look like New York times: --tz America/New_York" in err
    assert closewatch("replay", local, "--calendar", "XNYS", "--tz", "America/New_York")[0] == 0
    for command in ("explain", "chart"):
        code, out, again = closewatch(command, local, "--calendar", "XNYS", "--at", "2024-05-07")
        assert (code, out) == (2, "")
        assert "these look like New York times" in again


@pytest.mark.parametrize(
    ("zone", "hour", "advice", "mended"),
    [
        ("Europe/Berlin", 0, "these look like Berlin times: --tz Europe/Berlin", ("--tz", "Europe/Berlin")),
        ("America/New_York", 17, "begin at midnight: give --calendar, or --tz", ("--calendar", "24/5")),
    ],
)
def test_days_that_begin_in_the_evening_before_are_not_taken_for_that_evening(
    zone: str, hour: int, advice: str, mended: tuple[str, str], tmp_path: Path
) -> None:
    monday = datetime(2024, 5, 6, hour, tzinfo=ZoneInfo(zone)) - timedelta(days=hour > 0)
    days = [monday + timedelta(days=day + day // 5 * 2) for day in range(60)]
    path = written(tmp_path / "gannet.csv", [f"{day.timestamp():.0f}" for day in days])
    code, _, err = closewatch("import", path)
    assert code == 2
    assert advice in err
    code, out, _ = closewatch("import", path, *mended)
    assert (code, "60 bars of 1d, 2024-05-06 to 2024-07-26" in out) == (0, True)


def test_times_of_the_close_are_reported_as_such(tmp_path: Path) -> None:
    closes = [f"{each + timedelta(minutes=15):%Y-%m-%dT%H:%M%z}" for each in sessions(15) if each.hour >= 15]
    path = written(tmp_path / "gannet.csv", closes)
    code, _, err = closewatch("replay", path, "--calendar", "XNYS")
    assert code == 2
    assert "these look like times at which bars close: --stamp close" in err
    assert closewatch("replay", path, "--calendar", "XNYS", "--stamp", "close")[0] == 0


def test_a_calendar_in_which_no_bar_can_begin_is_refused(tmp_path: Path) -> None:
    nights = [
        f"{datetime(2024, 5, 6, 1, tzinfo=UTC) + timedelta(days=day, minutes=15 * number):%Y-%m-%dT%H:%MZ}"
        for day in range(20)
        for number in range(8)
    ]
    code, out, err = closewatch("replay", written(tmp_path / "gannet.csv", nights), "--calendar", "XNYS")
    assert (code, out) == (2, "")
    assert "no 15m bar can begin where its first 160 rows do in the sessions of XNYS; give another calendar" in err


def test_a_file_of_which_much_is_refused_gives_no_setup_and_ends_nothing_else(local: Path, tmp_path: Path) -> None:
    times = [f"{each:%Y-%m-%d %H:%M}" for each in sessions(15)]
    rows = [row(number) if number % 4 else "40,39,41,40,900" for number in range(len(times))]
    bad = written(tmp_path / "petrel.csv", times, rows)
    code, out, err = closewatch("replay", local, bad)
    assert code == 2
    assert "gannet" in out
    assert "petrel" not in out
    (last,) = [line for line in err.splitlines() if "more than a fifth" in line]
    assert f"{bad}: 98 of the first 390 rows of 'petrel' are refused (98 " in last
    assert closewatch("replay", bad)[:2] == (2, "")
    code, out, err = closewatch("import", bad, "--out", tmp_path / "petrel.parquet")
    assert code == 2
    assert "a column may hold something other than its name says: compare some rows with the header" in err
    assert 'high "high"' in out
    assert not (tmp_path / "petrel.parquet").exists()


def test_the_same_prices_under_two_names_are_reported(local: Path, tmp_path: Path) -> None:
    twin = tmp_path / "puffin.csv"
    twin.write_bytes(local.read_bytes())
    code, _, err = closewatch("replay", local, twin)
    assert code == 0
    assert "gannet and puffin have the same prices: leave one of them out, or they count twice" in err


def test_a_file_that_no_instrument_of_the_configuration_is_named_after_is_reported(local: Path, tmp_path: Path) -> None:
    (tmp_path / "gannet_15m.csv").write_bytes(local.read_bytes())
    config = tmp_path / "watch.toml"
    config.write_text(
        '[feeds.files]\ntype = "folder"\npath = "."\n[defaults]\nfeed = "files"\ntimeframes = ["15m"]\nstep = 0.01\n'
        "[instruments.gannet]\n"
    )
    sentence = (
        "gannet_15m: the configuration has no instrument of this name, so its sessions, steps and costs are not used "
        "here; name the file after its instrument"
    )
    where = ("--config", config)
    asked = ("study", "--out", tmp_path / "study"), ("replay",), ("explain", "--at", "2024-05-08T14:00")
    for command, *more in asked:
        assert sentence in closewatch(command, tmp_path / "gannet_15m.csv", *where, *more).err.splitlines()
        assert sentence not in closewatch(command, local, *where, *more).err


def test_a_bar_that_goes_on_is_left_out_and_told(local: Path) -> None:
    words = ("replay", local, "--tz", "America/New_York")
    code, out, err = closewatch(*words, "--as-of", "2024-05-24T15:59")
    assert code == 0
    assert "row 391: the bar of 2024-05-24T19:45:00Z ends at 2024-05-24T20:00:00Z, which is after" in err
    assert "refused       1 (1 not ended)" in out
    assert "refused       0" in closewatch(*words, "--as-of", "2024-05-24T16:00")[1]


@pytest.mark.parametrize("command", ["replay", "explain"])
def test_dates_that_cannot_be_used_are_named_before_going_on_without_them(
    local: Path, tmp_path: Path, command: str
) -> None:
    config, dates = tmp_path / "watch.toml", tmp_path / "dates.csv"
    config.write_text('[surroundings]\nrequire = ["dates"]\ndates = "dates.csv"\n[instruments.gannet]\n')
    words: list[str | Path] = [command, local, "--config", config]
    words += ["--at", "2024-05-24"] if command == "explain" else []
    missing = f"surroundings.dates: {dates} cannot be read (No such file or directory); no dates are known"
    code, _, err = closewatch(*words)
    assert (code, err.splitlines()[0]) == (0, missing)
    dates.write_text("time,instrument,what\n2024-05-17,ganet,report\n2024-05-24,gannet,report\n")
    code, _, err = closewatch(*words)
    unknown = f"surroundings.dates: {dates}: there is no instrument or group ganet; correct or remove the lines"
    assert (code, err.splitlines()[0]) == (0, unknown)
