"""Alerts for a webhook over a connection that fails in every way: none is given up, and no token leaks."""

from __future__ import annotations

from typing import TYPE_CHECKING
from urllib.parse import quote

from adapters.sinks.webhook import WebhookSettings, WebhookSink
from scanner.store import Store
from tests.adapters.servers import Request, Response, http_server
from tests.delivery.tools import NAME, Time, deliver, say, told

if TYPE_CHECKING:
    from pathlib import Path

OF_THE_WAY = [302, 308, 400, 401, 403, 404, 405, 407, 410, 413, 421, 451, 503]


def all_of(folder: Path) -> bytes:
    return b"".join(path.read_bytes() for path in folder.iterdir())


async def test_an_alert_survives_every_obstacle_and_no_token_is_kept(tmp_path: Path) -> None:
    time, sentences, planned = Time(), list[str](), list(OF_THE_WAY)

    def answer(request: Request) -> Response:
        to = {"Location": f"http://127.0.0.1/{quote(request.path)}"}
        return Response(planned.pop(0), to, f"Cannot POST {request.path}".encode()) if planned else Response()

    with http_server(answer) as server, Store.open(tmp_path / "store.db", time) as store:
        say(store, [told(0)])
        settings = {"url": f"{server.url}/hook/t0k3n", "secret": "long enough for a test"}
        sink = WebhookSink(WebhookSettings.model_validate(settings), clock=lambda: time.shown / 1e9)
        errors: list[str] = []

        def look() -> bool:
            (row,) = store.outbox.list()
            errors.append(row.error)
            return row.state != "waiting"

        await deliver(store, time, {NAME: sink}, until=look, tell=sentences.append)
        (row,) = store.outbox.list()
    assert (row.state, row.attempts) == ("delivered", len(OF_THE_WAY) + 1)
    assert [sentence.rpartition("; ")[2] for sentence in sentences] == [
        "closewatch keeps trying until it works",
        "there: works again",
    ]
    assert all(any(f"answered {status} " in error for error in errors) for status in OF_THE_WAY)
    assert not any("t0k3n" in text for text in (*sentences, *errors))
    assert b"t0k3n" not in all_of(tmp_path)
