"""Events as lines of a file."""

from __future__ import annotations

import asyncio
import io
import json
import os
import resource
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from adapters.sinks.jsonl import JsonlSettings, JsonlSink
from scanner.ports import DeliveryError, Message
from tests.adapters.samples import HOSTILE_NAMES, setup_event, station_event


def sink_to(path: Path) -> JsonlSink:
    return JsonlSink(JsonlSettings(path=path))


def lines_of(path: Path) -> list[Any]:
    assert path.read_bytes().endswith(b"\n")
    return [json.loads(line) for line in path.read_bytes().splitlines()]


async def test_each_event_is_a_line_and_later_ones_follow(tmp_path: Path) -> None:
    path, events = tmp_path / "events.jsonl", [setup_event(), station_event(), setup_event("GANNET")]
    sink = sink_to(path)
    await sink.start()
    assert path.read_bytes() == b""
    await sink.deliver([Message(events[0])])
    await sink.deliver([Message(events[1]), Message(events[2], late=True)])
    await sink.stop()
    await sink.stop()
    assert lines_of(path) == [events[0].to_dict(), events[1].to_dict(), events[2].to_dict() | {"late": True}]


async def test_many_at_once_do_not_mix(tmp_path: Path) -> None:
    path, sink = tmp_path / "events.jsonl", sink_to(tmp_path / "events.jsonl")
    events = [setup_event(f"NO{number}") for number in range(50)]
    await asyncio.gather(*(sink.deliver([Message(event)]) for event in events))
    assert lines_of(path) == [event.to_dict() for event in events]


@pytest.mark.parametrize("name", HOSTILE_NAMES.values(), ids=HOSTILE_NAMES)
async def test_any_name_stays_in_its_line_and_comes_back_as_it_was(tmp_path: Path, name: str) -> None:
    path, event = tmp_path / "events.jsonl", setup_event(name)
    await sink_to(path).deliver([Message(event)])
    text = path.read_bytes()
    assert text.isascii()
    assert all(byte >= 0x20 for byte in text[:-1])
    assert lines_of(path) == [event.to_dict()]


async def test_a_line_is_the_one_that_a_replay_writes(tmp_path: Path) -> None:
    path, event = tmp_path / "events.jsonl", setup_event()
    event.data["rules"]["progress"] = {
        "measured": 1e-05,
        "threshold": "> 0",
        "verdict": True,
        "text": "as small as that",
    }
    await sink_to(path).deliver([Message(event)])
    assert path.read_bytes() == event.to_line()


async def test_a_line_cut_off_by_a_crash_spoils_only_itself(tmp_path: Path) -> None:
    path, event = tmp_path / "events.jsonl", setup_event()
    whole = (event.to_json() + "\n").encode()
    for cut in (1, len(whole) // 2, len(whole) - 1, len(whole)):
        path.write_bytes(whole + whole[:cut])
        sink = sink_to(path)
        await sink.start()
        await sink.deliver([Message(event)])
        rows = path.read_bytes().splitlines()
        assert len(rows) == 3
        assert rows[1] == whole[:cut].rstrip(b"\n")
        assert json.loads(rows[0]) == json.loads(rows[2]) == event.to_dict()


async def test_a_full_disk_is_a_delivery_error_and_the_next_event_starts_afresh(
    tmp_path: Path, room_for_little: int
) -> None:
    path, sink, event = tmp_path / "events.jsonl", sink_to(tmp_path / "events.jsonl"), setup_event()
    await sink.deliver([Message(event)])
    with pytest.raises(DeliveryError, match=r"Cannot append events to .*events\.jsonl: File too large"):
        await sink.deliver([Message(event)])
    assert path.stat().st_size == room_for_little
    _, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (hard, hard))
    await sink.deliver([Message(event)])
    rows = path.read_bytes().splitlines()
    assert len(rows) == 3
    assert json.loads(rows[0]) == json.loads(rows[2]) == event.to_dict()


@pytest.mark.parametrize("place", ["nowhere/events.jsonl", ""], ids=["no such folder", "a folder"])
async def test_a_path_that_cannot_be_written_is_reported_at_the_start(tmp_path: Path, place: str) -> None:
    with pytest.raises(DeliveryError, match=r"Cannot append events to .*: (No such file|Is a directory)"):
        await sink_to(tmp_path / place).start()


async def test_standard_output() -> None:
    out, event = io.BytesIO(), setup_event()
    sink = JsonlSink(JsonlSettings.model_validate({"path": "-"}), stdout=out)
    await sink.start()
    await sink.deliver([Message(event)])
    assert [json.loads(line) for line in out.getvalue().splitlines()] == [event.to_dict()]


async def test_a_reader_that_has_left_is_a_delivery_error() -> None:
    reading, writing = os.pipe()
    os.close(reading)
    with os.fdopen(writing, "wb", buffering=0) as out:
        sink = JsonlSink(JsonlSettings.model_validate({"path": "-"}), stdout=out)
        with pytest.raises(DeliveryError, match="standard output: Broken pipe"):
            await sink.deliver([Message(setup_event())])


PROGRAM = """
import asyncio, sys
from pathlib import Path
from adapters.sinks.jsonl import JsonlSettings, JsonlSink
from scanner.ports import Message
from tests.adapters.samples import setup_event

async def main():
    sink = JsonlSink(JsonlSettings(path=Path(sys.argv[1])))
    for number in range(1_000_000):
        await sink.deliver([Message(setup_event(f"NO{number}"))])
        print(number, flush=True)

asyncio.run(main())
"""


def test_what_was_confirmed_is_there_after_sigkill(tmp_path: Path) -> None:
    path = tmp_path / "events.jsonl"
    command = [sys.executable, "-c", PROGRAM, str(path)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, cwd=Path(__file__).parents[2]) as process:
        assert process.stdout is not None
        confirmed = [int(process.stdout.readline()) for _ in range(20)]
        process.kill()
    rows = path.read_bytes().split(b"\n")[:-1]
    assert [json.loads(row)["data"]["instrument"] for row in rows[:20]] == [f"NO{number}" for number in confirmed]
