"""``closewatch send-test``: a marked example reaches each sink, and each failure is one sentence."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest

from adapters.sinks.mqtt.topics import Topics
from scanner.commands.messages.example import NAME, example
from scanner.delivery.late import too_late
from scanner.events import EXAMPLE_SOURCE
from scanner.store.lock import StoreLock
from tests.adapters.servers import Response, free_port, http_server
from tests.commands.typed import closewatch

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

SCREEN = '[sinks.screen]\ntype = "console"\n'
FILE = '[sinks.file]\ntype = "jsonl"\npath = "said.jsonl"\n'
MAIL = '[sinks.mail]\ntype = "email"\nhost = "127.0.0.1"\nport = {}\nsender = "a@example.org"\nto = ["b@example.org"]\n'
HOOK = '[sinks.hook]\ntype = "webhook"\n'


@pytest.fixture
def hook(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Run a receiver that takes nothing of what it reads."""
    with http_server(lambda _: Response(422)) as server:
        monkeypatch.setenv("CLOSEWATCH_SINKS__HOOK__URL", server.url)
        monkeypatch.setenv("CLOSEWATCH_SINKS__HOOK__SECRET", "a secret of 16 or more")
        yield


def written(folder: Path, *sinks: str) -> Path:
    config = folder / "watch.toml"
    config.write_text('[station]\nzone = "Europe/Berlin"\n' + "".join(sinks), encoding="utf-8")
    return config


def test_a_marked_example_reaches_every_sink(tmp_path: Path) -> None:
    done = closewatch("send-test", written(tmp_path, SCREEN, FILE))
    assert (done.code, done.out.splitlines()[-2:]) == (0, ["screen: sent", "file: sent"])
    assert done.out.startswith(f"{NAME} 15m ")
    said = " ".join(done.out.split())
    assert "This is a test message; everything in it is invented, and there is nothing to act on." in said
    assert "Too late" not in said
    (event,) = map(json.loads, (tmp_path / "said.jsonl").read_text(encoding="utf-8").splitlines())
    assert (event["source"], event["data"]["instrument"]) == (EXAMPLE_SOURCE, NAME)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["said.jsonl", "watch.toml"], "no store is made"


@pytest.mark.usefixtures("hook")
def test_each_sink_that_fails_is_reported_in_a_sentence(tmp_path: Path) -> None:
    port = free_port()
    done = closewatch("send-test", written(tmp_path, MAIL.format(port), FILE, HOOK))
    mail, file, hook = done.out.splitlines()
    assert (done.code, file) == (1, "file: sent")
    assert mail.startswith(
        f"mail: not sent: The mail server 127.0.0.1:{port} cannot be reached or broke the connection"
    )
    assert hook.startswith("hook: not sent: The webhook at http://127.0.0.1:")
    assert "answered 422" in hook


def test_one_sink_may_be_named_and_what_cannot_be_made_is_reported(tmp_path: Path) -> None:
    config = written(tmp_path, FILE, HOOK)
    assert closewatch("send-test", config, "--sink", "file") == (
        0,
        "file: sent\n",
        "Sending an example to each sink …\n",
    )
    secret = closewatch("send-test", config)
    assert secret.code == 2
    assert secret.out.splitlines()[0] == "file: sent"
    assert secret.out.splitlines()[1].startswith("hook: not sent: sinks.hook.url: this secret is missing; give it as ")
    unknown = closewatch("send-test", config, "--sink", "fill")
    assert (unknown.code, unknown.err) == (
        2,
        f'closewatch: there is no sink "fill" in {config}; did you mean file?\n',
    )
    nothing = closewatch("send-test", written(tmp_path))
    assert nothing.code == 2
    assert "has no sinks; add one, such as [sinks.screen]" in nothing.err


def test_a_running_station_is_left_alone(tmp_path: Path) -> None:
    config = written(tmp_path, FILE)
    running = StoreLock(tmp_path / "closewatch.db", make=True)
    done = closewatch("send-test", config)
    running.release()
    assert done.code != 0
    assert "is using this store; stop it first" in done.err
    assert not (tmp_path / "said.jsonl").exists()
    assert closewatch("send-test", config).code == 0
    StoreLock(tmp_path / "closewatch.db").release()  # a station may start again


def test_the_example_is_of_now_and_leaves_no_state_on_a_broker() -> None:
    now = 1_800_000_123 * 10**9
    sent = example(now)
    assert 0 <= now - sent.event.time < 900 * 10**9
    assert not too_late(sent.event, now, 3)
    assert sent.event.time in sent.bars.close_time
    assert Topics("closewatch", "loft").state_of(sent.event) is None
