"""The watcher as a process under a supervisor: it says when it is ready, alive, reading its list again, stopping."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import time
from contextlib import closing
from pathlib import Path
from queue import Queue
from threading import Semaphore, Thread
from typing import TYPE_CHECKING

import httpx
import pytest

from tests.commands.typed import RUN, closewatch

if TYPE_CHECKING:
    from collections.abc import Iterator

FEED = Path(__file__).parents[2] / "demo_feed" / "WHELKCHIT.parquet"
"""Invented bars, day and night."""
CONFIG = """
[station]
name = "loft"
store = "kept.db"
health_port = {port}
[feeds.tape]
type = "recorded"
path = "{path}"
pace = 1
[defaults]
feed = "tape"
calendar = "24/7"
timeframes = {timeframes}
step = "0.00001"
[instruments.WHELKCHIT]
"""


def free_port() -> int:
    with socket.socket() as any_port:
        any_port.bind(("127.0.0.1", 0))
        port: int = any_port.getsockname()[1]
        return port


class Heard:
    """What a supervisor hears, taken in at once: a socket that is not emptied would lose messages."""

    def __init__(self, path: str) -> None:
        self.words: Queue[str] = Queue()
        self.alive = Semaphore(0)
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.socket.bind(path)
        self.listening = Thread(target=self._listen, daemon=True)
        self.listening.start()

    def _listen(self) -> None:
        with closing(self.socket):
            while word := self.socket.recv(200).decode().partition("\n")[0]:
                if word == "WATCHDOG=1":
                    self.alive.release()
                else:
                    self.words.put(word)

    def next(self) -> str:
        """Give the next word that is not about being alive."""
        return self.words.get(timeout=60)


@pytest.fixture
def heard(tmp_path: Path) -> Iterator[Heard]:
    path = str(tmp_path / "notify")
    listening = Heard(path)
    yield listening
    with closing(socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)) as last:
        last.sendto(b"", path)  # ends the listening
    listening.listening.join(60)


def test_the_watcher_reports_its_health_and_keeps_its_list(tmp_path: Path, heard: Heard) -> None:
    path, port = tmp_path / "watch.toml", free_port()

    def configure(timeframes: str) -> None:
        path.write_text(CONFIG.format(port=port, path=FEED, timeframes=timeframes), encoding="utf-8")

    configure('["15m"]')
    environ = {**os.environ, "NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": "200000"}
    process = subprocess.Popen(
        [*RUN, "watch", str(path)], env=environ, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True
    )
    try:
        assert heard.next() == "READY=1"
        assert all(heard.alive.acquire(timeout=60) for _ in range(3))
        assert httpx.get(f"http://127.0.0.1:{port}/health", trust_env=False).status_code == 200
        assert closewatch("status", path).out.startswith(f"The station loft is running (process {process.pid}).\n")
        for timeframes in ("[" * 5_000, '["15m", "1h"]', '["15m", "1 hour"]'):
            configure(timeframes)
            process.send_signal(signal.SIGHUP)
            assert [heard.next(), heard.next()] == ["RELOADING=1", "READY=1"]
        begun = time.monotonic()
        process.send_signal(signal.SIGTERM)
        assert heard.next() == "STOPPING=1"
        _, log = process.communicate(timeout=30)
        # The promise is two seconds; more are allowed here, for the machine may be busy with other tests.
        assert time.monotonic() - begun < 10
        assert process.returncode == 0, log
    finally:
        process.kill()
        process.wait()
    assert log.count('"list read again"') == 1
    assert log.count('"event": "the configuration was not taken') == 2
    assert "nested more than 32 deep" in log
    assert "1 hour" in log


def test_only_mistakes_the_user_must_correct_prevent_a_restart_by_the_service(tmp_path: Path) -> None:
    unit = (Path(__file__).parents[2] / "config" / "closewatch.service").read_text(encoding="utf-8").splitlines()
    assert {"Restart=always", "RestartPreventExitStatus=2"} <= set(unit)
    path = tmp_path / "watch.toml"
    text = CONFIG.format(port=free_port(), path=FEED, timeframes='["15m"]')
    (tmp_path / "harmed.db").write_bytes(b"no store" * 1_000)
    # The first event, that the station has caught up, finds no room; then the store is damaged; and then the
    # configuration is wrong.
    for said, code, sentence in (
        (text, 1, "closewatch: the system stopped the station: [Errno 28] No space left on device; fix that "),
        (
            text.replace("kept.db", "harmed.db"),
            2,
            f"closewatch: {tmp_path / 'harmed.db'}: this is not a closewatch store",
        ),
        (text.replace("step", "stp"), 2, f"closewatch: {path}: defaults.stp: there is no such setting; did you mean "),
    ):
        path.write_text(said, encoding="utf-8")
        with Path("/dev/full").open("wb") as full:
            done = subprocess.run(
                [*RUN, "watch", str(path)], stdout=full, stderr=subprocess.PIPE, text=True, check=False, timeout=60
            )
        assert done.returncode == code, done.stderr
        assert done.stderr.splitlines()[-1].startswith(sentence)
