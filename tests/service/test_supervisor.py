"""Messages to the supervisor, received by a real socket of its kind."""

from __future__ import annotations

import os
import socket
from contextlib import closing
from typing import TYPE_CHECKING

import pytest

from scanner.service.supervisor import Supervisor

if TYPE_CHECKING:
    from pathlib import Path


def listener(address: str) -> socket.socket:
    heard = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    heard.bind("\0" + address[1:] if address.startswith("@") else address)
    heard.settimeout(5)
    return heard


@pytest.fixture(params=["path", "abstract"])
def address(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    return str(tmp_path / "notify") if request.param == "path" else f"@closewatch-test-{os.getpid()}"


def test_each_word_arrives_at_a_socket_of_either_kind(address: str) -> None:
    told = Supervisor({"NOTIFY_SOCKET": address}, monotonic=lambda: 1_234_567_999)
    with closing(listener(address)) as heard:
        for say, word in (
            (told.ready, b"READY=1"),
            (told.reloading, b"RELOADING=1\nMONOTONIC_USEC=1234567"),
            (told.alive, b"WATCHDOG=1"),
            (told.stopping, b"STOPPING=1"),
        ):
            say()
            assert heard.recv(200) == word


async def test_it_is_told_twice_within_the_time_it_asks_for(address: str) -> None:
    told = Supervisor({"NOTIFY_SOCKET": address, "WATCHDOG_USEC": "60000000", "WATCHDOG_PID": "17"}, process=17)
    slept: list[float] = []

    async def sleep(seconds: float) -> None:
        slept.append(seconds)
        if len(slept) == 3:
            told.watchdog = None

    with closing(listener(address)) as heard:
        await told.keep_telling(sleep, lambda: len(slept) != 1)
        assert [heard.recv(200) for _ in range(2)] == [b"WATCHDOG=1"] * 2
        heard.settimeout(0)
        with pytest.raises(BlockingIOError):  # if we are not well, the supervisor must notice
            heard.recv(200)
    assert slept == [30.0] * 3


@pytest.mark.parametrize(
    "environ",
    [
        {"WATCHDOG_USEC": "60000000"},
        {"NOTIFY_SOCKET": "@nobody"},
        {"NOTIFY_SOCKET": "@nobody", "WATCHDOG_USEC": "0"},
        {"NOTIFY_SOCKET": "@nobody", "WATCHDOG_USEC": "soon"},
        {"NOTIFY_SOCKET": "@nobody", "WATCHDOG_USEC": "60000000", "WATCHDOG_PID": "18"},
    ],
)
def test_without_a_watchdog_for_this_process_none_is_served(environ: dict[str, str]) -> None:
    assert Supervisor(environ, process=17).watchdog is None


def test_a_supervisor_that_does_not_listen_troubles_nobody(tmp_path: Path) -> None:
    Supervisor({"NOTIFY_SOCKET": str(tmp_path / "gone")}).ready()
    Supervisor({}).ready()
