"""A check that tries every feed and sink."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

import pytest

from scanner.configuration.check import check
from scanner.configuration.model.settings import load
from scanner.service.trying.connect import try_all
from scanner.store.lock import StoreLock
from scanner.store.trouble import StoreTroubleError
from tests.adapters.servers import Request, Response, free_port, http_server
from tests.configuration.other_package import SOUND, install

if TYPE_CHECKING:
    from collections.abc import AsyncIterator
    from pathlib import Path


async def test_connecting_tries_each_on_its_own(tmp_path: Path, silent_server: int) -> None:
    (tmp_path / "bars").mkdir()
    (tmp_path / "bars" / "A_1d.csv").write_text("time,open,high,low,close\n2024-01-02,1,2,1,2\n", encoding="utf-8")
    config, closed = tmp_path / "x.toml", free_port()
    config.write_text(
        f"""
        [feeds.web]
        type = "http_json"
        url = "http://127.0.0.1:{closed}/{{symbol}}"
        [feeds.there]
        type = "folder"
        path = "bars"
        [feeds.away]
        type = "folder"
        path = "nowhere"
        [sinks.file]
        type = "jsonl"
        path = "events.jsonl"
        [sinks.broker]
        type = "mqtt"
        host = "127.0.0.1"
        port = {silent_server}
        timeout = 60
        [sinks.hook]
        type = "webhook"
        [instruments.A]
        feed = "there"
        step = 1
        timeframes = ["1d"]
        [instruments.B]
        feed = "web"
        step = 1
        timeframes = ["1d"]
        """,
        encoding="utf-8",
    )
    settings = check(config, {}).settings
    assert settings is not None
    found = await try_all(settings, {}, seconds=0.5)
    assert f"http://127.0.0.1:{closed}/B: cannot be reached" in str(found.pop("feed web").trouble)
    trouble, seen = found.pop("feed there")
    assert (trouble, seen.partition(";")[0]) == (
        None,
        "1 bar of A 1d from Tue 2 Jan 2024 00:00 UTC to Wed 3 Jan 2024 00:00 UTC",
    )
    assert seen.endswith("bars that closed since are missing")
    assert {name: each.trouble for name, each in found.items()} == {
        "feed away": f"{tmp_path}/nowhere: there is no such folder; check path",
        "sink file": None,
        "sink broker": "it has not answered within 0.5 s; check its address and the network",
        "sink hook": "sinks.hook.url: this secret is missing; give it as CLOSEWATCH_SINKS__HOOK__URL in the "
        "environment, or in the file sinks.hook.url of the secrets folder",
    }
    assert not (tmp_path / "closewatch.db.lock").exists()


async def test_what_a_server_writes_is_shown_only_on_request_where_it_may_repeat_a_secret(tmp_path: Path) -> None:
    def answer(request: Request) -> Response:
        return Response(404, {}, f"nothing at {request.path}".encode())

    config, environ = tmp_path / "x.toml", {"CLOSEWATCH_FEEDS__WEB__SECRET_QUERY__KEY": "s3cr3t"}
    with http_server(answer) as server:
        config.write_text(
            f"""
            [feeds.web]
            type = "http_json"
            url = "{server.url}/{{symbol}}"
            [instruments.B]
            feed = "web"
            step = 1
            timeframes = ["1d"]
            """,
            encoding="utf-8",
        )
        settings = load(config, environ)
        hidden, shown = [await try_all(settings, environ, show_body=show) for show in (False, True)]
    assert "answers 404 Not Found, [24 bytes, sha256 " in str(hidden["feed web"].trouble)
    assert "s3cr3t" not in str(hidden["feed web"].trouble)
    assert 'answers 404 Not Found, "nothing at /B?key=s3cr3t"' in str(shown["feed web"].trouble)


async def test_connecting_leaves_a_running_station_alone(tmp_path: Path) -> None:
    config = tmp_path / "x.toml"
    config.write_text('[sinks.file]\ntype = "jsonl"\npath = "events.jsonl"', encoding="utf-8")
    settings = load(config, {})
    running = StoreLock(settings.store_path)
    with pytest.raises(StoreTroubleError, match=r"another closewatch .* is using this store; stop it first"):
        await try_all(settings, {})
    assert not (tmp_path / "events.jsonl").exists()
    running.release()
    assert await try_all(settings, {}) == {"sink file": (None, "")}


async def test_adapters_of_another_package_harm_only_themselves(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever they raise, each is told in a sentence; the columns of an answer are looked at before they are read."""
    wrong = {
        "raising": ("return [Answer", "raise ValueError('no\\ngulls'); return [Answer"),
        "leaving": ("return [Answer", "raise SystemExit(0); return [Answer"),
        "cancelled": ("return [Answer", "raise asyncio.CancelledError; return [Answer"),
        "short": ("price, price, price, count,", "np.ones(0), price, price, count,"),
        "staying": ("async def stop(self):\n        pass", "async def stop(self):\n        raise ValueError('no')"),
    }
    install(tmp_path, monkeypatch, sound=SOUND, **{name: SOUND.replace(*each) for name, each in wrong.items()})
    config = tmp_path / "x.toml"
    config.write_text(
        "".join(
            f"""
            [feeds.{name}]
            type = "{name}"
            [sinks.{name}]
            type = "{name}"
            [instruments.{name.upper()}]
            feed = "{name}"
            step = 1
            timeframes = ["1d"]
            """
            for name in ("sound", *wrong)
        ),
        encoding="utf-8",
    )
    settings = check(config, {}).settings
    assert settings is not None
    found = {name: each.trouble for name, each in (await try_all(settings, {})).items() if each.trouble}
    assert found == {
        "feed raising": "its adapter failed: ValueError: no<000A>gulls",
        "feed leaving": "its adapter failed: RuntimeError: it raised SystemExit(0), which no adapter may",
        "feed cancelled": "its adapter failed: RuntimeError: it raised CancelledError(), which no adapter may",
        "feed short": "its adapter gave 0 values of low, but 1 of stamp",
        "feed staying": "it did not stop: its adapter failed: ValueError: no",
        "sink staying": "it did not stop: its adapter failed: ValueError: no",
    }


@pytest.fixture
async def silent_server() -> AsyncIterator[int]:
    """Give the port of a server that takes connections and never says a word."""
    writers = []

    async def listen(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writers.append(writer)
        await reader.read()

    server = await asyncio.start_server(listen, "127.0.0.1", 0)
    yield server.sockets[0].getsockname()[1]
    server.close()
    for writer in writers:
        writer.close()
        await writer.wait_closed()
    await server.wait_closed()
