"""``closewatch outbox``, as it is typed."""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pytest
from typer.testing import CliRunner

from scanner.cli.command_line import app
from scanner.store import Batch, Said, Store
from tests.adapters.samples import setup_event

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


@pytest.fixture
def station(tmp_path: Path) -> Iterator[Store]:
    """Keep a station running: delivery 1 was refused, 2 waits after a failure, 3 is done, 4 waits."""
    (tmp_path / "station.toml").write_text(
        '[station]\nstore = "kept.db"\nzone = "Europe/Berlin"\n[sinks.phone]\n[sinks.paper]\n'
    )
    with Store.open(tmp_path / "kept.db", time.time_ns) as store:
        events = [setup_event("BUOY"), setup_event("GAN\x1b[2JNET"), setup_event("FULMAR")]
        store.commit(Batch(said=[Said(event, ["phone"]) for event in events]))
        store.commit(Batch(said=[Said(setup_event("PETREL"), ["paper"])]))
        store.outbox.dead([1], "no such\nuser")
        store.outbox.failed([2], time.time_ns() + 10**12, "busy")
        store.outbox.delivered([3])
        yield store


@pytest.fixture
def run(tmp_path: Path) -> Run:
    return Run(tmp_path)


@dataclass
class Run:
    """Types a command; gives its exit code, its result, and what it says besides."""

    folder: Path

    def __call__(self, *words: str, config: bool = True) -> tuple[int, str, str]:
        where = ["--config", str(self.folder / "station.toml")] if config else []
        done = CliRunner().invoke(app, ["outbox", *words, *where], standalone_mode=False)
        if done.exception is None:
            return 0, done.stdout, done.stderr
        if not hasattr(done.exception, "exit_code"):
            raise done.exception
        return done.exception.exit_code, done.stdout, str(done.exception)


def states(store: Store) -> list[str]:
    return [each.state for each in store.outbox.list()]


@pytest.mark.usefixtures("station")
def test_the_list_shows_what_waits_and_what_was_refused(run: Run) -> None:
    code, out, err = run("list")
    assert (code, err) == (0, "")
    head, refused, failed, waiting = out.splitlines()
    assert head.split()[:4] == ["number", "sink", "state", "tries"]
    assert refused.split()[:8] == ["1", "phone", "refused", "for", "good", "1", "setup.qualified", "BUOY/15m"]
    assert refused.endswith("Mon 2 Mar 2026 17:00 Berlin  no such<000A>user")
    assert failed.split()[:6] == ["2", "phone", "waiting", "1", "setup.qualified", "GAN<001B>[2JNET/15m"]
    assert waiting.split()[:4] == ["4", "paper", "waiting", "0"]
    assert run("list", "--state", "delivered")[1].splitlines()[1].split()[:3] == ["3", "phone", "delivered"]
    assert run("list", "--sink", "paper", "--state", "dead") == (0, "", "No delivery is refused for good for paper.\n")


def test_deliveries_are_tried_again_and_dropped_beside_the_running_station(run: Run, station: Store) -> None:
    assert run("retry", "--all") == (0, "1 delivery to be tried again.\n", "")
    assert states(station) == ["waiting", "waiting", "delivered", "waiting"]
    assert run("retry", "2")[0] == 0
    assert [each.number for each in station.outbox.due(time.time_ns(), "phone", 9)] == [1, 2]
    assert run("drop", "1", "4", "4") == (0, "2 deliveries dropped.\n", "")
    assert states(station) == ["dropped", "waiting", "delivered", "dropped"]
    assert run("retry", "4")[0] == 0
    assert states(station)[3] == "waiting"


def test_what_cannot_be_done_is_one_sentence(run: Run, station: Store, tmp_path: Path) -> None:
    code, out, err = run("drop", "3", "1", "99")
    assert (code, out) == (2, "1 delivery dropped.\n")
    assert err == "2 of the 3 given could not be changed: each has been delivered or dropped already, or does not exist"
    assert states(station) == ["dropped", "waiting", "delivered", "waiting"]
    for words in (("retry",), ("drop", "1", "--all")):
        code, out, err = run(*words)
        assert (code, out) == (2, "")
        assert "say which deliveries" in err
    code, out, err = run("list", config=False)
    assert (code, out) == (2, "")
    assert "name the station by one of these" in err
    code, out, err = run("list", "--store", str(tmp_path / "nowhere.db"), config=False)
    assert (code, out) == (1, "")
    assert "there is no store here" in err
