"""``closewatch status`` beside a station that runs, after its configuration got a mistake."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import pytest

from scanner.commands.station import status as command
from scanner.configuration.model.settings import SettingsError, load
from scanner.service.changes.config_mark import fixed_mark
from scanner.store import Store

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

READ = 1_772_226_000 * 1_000_000_000
CONFIG = """
[station]
name = "loft"
zone = "Europe/Berlin"
store = "kept.db"
[feeds.coast]
type = "folder"
path = "."
[defaults]
feed = "coast"
calendar = "24/7"
timeframes = ["1m"]
step = "0.01"
[instruments.GANNET]
"""
STILL = "It still uses the configuration of Fri 27 Feb 2026 22:00 Berlin"


@pytest.fixture
def running(tmp_path: Path) -> Iterator[Path]:
    """Give the configuration of a station that runs in this process."""
    path = tmp_path / "watch.toml"
    path.write_text(CONFIG, encoding="utf-8")
    known = load(path, {})
    with Store.open(tmp_path / "kept.db", lambda: READ) as store:
        store.database.say(f"{known.mark} {READ} {fixed_mark(known)}")
        yield path


@pytest.mark.parametrize(
    ("right", "wrong", "mistake"),
    [
        ('"1m"]', '"1 min"]', "defaults.timeframes: "),
        ("[instruments.GANNET]", "[instruments.GANNET", "watch.toml:14: "),
        ('"kept.db"', '"kept.db"\nkeep_bars = "many', "watch.toml:6: "),
        ('"kept.db"', '"kept.db"\nkeep_bars = "many"', "station.keep_bars: "),
        ('feed = "coast"', 'feed = "cost"', "did you mean coast?"),
    ],
)
def test_a_running_station_is_reported_before_the_mistake_in_its_configuration(
    running: Path, right: str, wrong: str, mistake: str, capsys: pytest.CaptureFixture[str]
) -> None:
    running.write_text(CONFIG.replace(right, wrong), encoding="utf-8")
    with pytest.raises(SettingsError) as told:
        command.run(running, {}, READ)
    assert mistake in str(told.value)
    first, second = capsys.readouterr().out.splitlines()
    assert first == f"The station loft is running (process {os.getpid()})."
    assert second.startswith(f"{STILL}: the file has a mistake now, and is not used until that is")


@pytest.mark.parametrize(
    ("right", "wrong", "told"),
    [
        # What is wrong with a feed only its adapter knows.
        ('path = "."', "pth = 1", "it is corrected: {path}:8: feeds.coast.pth: there is no such setting"),
        ('path = "."', 'path = "bars"', "Restart the station to use it: "),
        ("GANNET]", "FULMAR]", "Send SIGHUP or restart the station to use it."),
    ],
)
def test_the_advice_for_a_changed_configuration_works(
    running: Path, right: str, wrong: str, told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    running.write_text(CONFIG.replace(right, wrong), encoding="utf-8")
    command.run(running, {}, READ)
    _, second, *_, last = capsys.readouterr().out.splitlines()
    assert last.startswith("No study is kept, and alerts say so; ")
    assert second.startswith(f"{STILL}, which has changed since")
    assert told.format(path=running) in second


def test_dates_that_the_station_has_not_read_yet_are_a_change(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path, dates = tmp_path / "watch.toml", tmp_path / "dates.csv"
    path.write_text(f'{CONFIG}[surroundings]\ndates = "dates.csv"\n', encoding="utf-8")
    dates.write_text("time,instrument,what\n2027-06-12,all,report\n", encoding="utf-8")
    known = load(path, {})
    with Store.open(tmp_path / "kept.db", lambda: READ) as store:
        store.database.say(f"{known.mark} {READ} {fixed_mark(known)}")
        command.run(path, {}, READ)
        assert STILL not in capsys.readouterr().out
        dates.write_text("time,instrument,what\n2027-06-13,all,report\n", encoding="utf-8")
        command.run(path, {}, READ)
        assert f"{STILL}, which has changed since" in capsys.readouterr().out


def test_without_a_running_station_only_the_mistake_is_reported(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "watch.toml"
    path.write_text(CONFIG.replace("[defaults]", "[defaults"), encoding="utf-8")
    with pytest.raises(SettingsError, match=r"watch\.toml:9: "):
        command.run(path, {}, READ)
    assert capsys.readouterr().out == ""
