"""A station as a process: it stops when told to, keeps others off its store, and sends only news."""

from __future__ import annotations

import signal
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pytest

from scanner.ports import Message
from scanner.present.words.words import alert
from scanner.service.to_report import NAMED
from scanner.store import Store
from tests.service.kill_watch import DAY, PLAYED, cut_recording, station

if TYPE_CHECKING:
    import subprocess
    from collections.abc import Iterator
    from pathlib import Path

SLOW = 900.0
"""A pace slow enough for the recording to outlast a test."""


@dataclass(frozen=True)
class Running:
    """A watching station, its bars and its store, and when it began to play."""

    process: subprocess.Popen[str]
    bars: Path
    store: Path
    begin: int


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    """Start a station and wait until it watches; the last test stops it."""
    bars = tmp_path_factory.mktemp("station") / "bars"
    bars.mkdir()
    begin, store = cut_recording(bars) - PLAYED * DAY, bars.parent / "kept.db"
    with station(bars, store, begin, SLOW) as process:
        assert process.stderr is not None
        assert any('"watching"' in line for line in process.stderr), "it ended before it watched"
        yield Running(process, bars, store, begin)
        process.kill()


def test_a_second_one_on_the_same_store_is_refused_in_a_sentence(running: Running) -> None:
    second = station(running.bars, running.store, running.begin, SLOW)
    _, said = second.communicate(timeout=30)
    assert second.returncode == 2, said
    (sentence,) = (line for line in said.splitlines() if "another closewatch" in line)
    assert f"(process {running.process.pid})" in sentence
    assert "Traceback" not in said
    assert running.process.poll() is None


def test_a_setup_that_is_too_old_is_stored_and_summed_up_but_not_sent(running: Running) -> None:
    with Store.open(running.store, time.time_ns, visiting=True) as store:
        kept = store.events.find()
        sent = {each.event.id for each in store.outbox.list()}
    at, caught_up = next((at, each.event) for at, each in enumerate(kept) if each.event.kind == "station.caught_up")
    setups = [each.event for each in kept[:at] if each.event.kind == "setup.qualified"]  # it goes on playing
    assert len(setups) >= 10
    setups = [event for event in setups if event.id not in sent]  # those of the last bars are news
    assert caught_up.data["setups_found"] == len(setups)
    assert len(caught_up.data["setups"]) == min(len(setups), NAMED)
    assert caught_up.id in sent
    assert alert(Message(caught_up), "UTC", None).lead.count(" bars") == 1
    assert len(sent & {each.event.id for each in kept[:at]}) < 10 < len(setups)


def test_it_stops_within_two_seconds_of_being_told_to(running: Running) -> None:
    told = time.monotonic()
    running.process.send_signal(signal.SIGTERM)
    assert running.process.wait(10) == 0
    assert time.monotonic() - told < 2
