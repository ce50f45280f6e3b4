"""Secrets that the feed ``stream_json`` sends: they arrive, and cannot be read anywhere else."""

from __future__ import annotations

import asyncio
import json
import re
from http import HTTPStatus
from typing import TYPE_CHECKING

import pytest
from websockets.asyncio.server import serve

from scanner.ports import FeedTroubleError
from tests.adapters.feed_servers import raw_server, rows, silence, until
from tests.adapters.secret_samples import ECHOES, KEPT, UNSEEN, is_hidden
from tests.adapters.servers import HOST, Request, free_port
from tests.adapters.test_feed_http_json import HARBOUR, queries
from tests.adapters.test_feed_stream_json import Station, feed_at, listening, named

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable

    from websockets.asyncio.server import ServerConnection

pytestmark = pytest.mark.usefixtures("nothing_secret_is_logged")


LOGIN = json.dumps({"do": "login", "with": UNSEEN})


async def test_a_stream_is_sent_its_secrets_before_all_else() -> None:
    secrets = {"secret_subscribe": {"b_login": LOGIN, "a_hello": "HELLO 7"}, **KEPT}
    async with Station().run() as station, listening(station.port, subscribe=["GO", "{symbol}"], **secrets) as feed:
        await until(lambda: station.told == [["HELLO 7", LOGIN, "GO"]])
        assert queries([Request("GET", station.requests[0].path, {}, b"")]) == [{"depth": "1", "apiKey": UNSEEN}]  # type: ignore[arg-type] # no headers are looked at
        assert is_hidden(repr(feed.settings))
    with pytest.raises(FeedTroubleError, match=r"secret_subscribe\.login is empty"):
        await feed_at(1, secret_subscribe={"login": ""}).start()


async def test_no_trouble_of_a_stream_shows_a_secret() -> None:
    sentences = []
    async with Station().run() as station:
        for station.refusal in (HTTPStatus.UNAUTHORIZED, HTTPStatus.FOUND):
            with pytest.raises(FeedTroubleError, match=f"the server answers {station.refusal.value}") as caught:
                await feed_at(station.port, **KEPT).start()
            sentences.append(str(caught.value))
    with pytest.raises(FeedTroubleError, match="cannot be opened or was broken off") as caught:
        await feed_at(free_port(), **KEPT).start()
    sentences.append(str(caught.value))
    async with raw_server(silence) as port:
        with pytest.raises(FeedTroubleError, match="no stream was opened") as caught:
            await feed_at(port, connect_timeout=0.1, **KEPT).start()
        sentences.append(str(caught.value))
    assert is_hidden(" ".join(sentences))


async def trouble_of(behaviour: Callable[[ServerConnection], Awaitable[None]], **settings: object) -> str:
    """Listen to a server that sends nothing useful, and give the reported trouble."""
    async with serve(behaviour, HOST, 0) as server:
        port = next(iter(server.sockets)).getsockname()[1]
        with pytest.raises(FeedTroubleError) as caught:  # noqa: PT012 - it comes as soon as the server has spoken
            settings |= {"rows": "bars", "first_pause": 60}
            async with listening(port, **settings) as feed, asyncio.timeout(10):
                while True:
                    await feed.fetch([HARBOUR])
                    await asyncio.sleep(0.005)
    return str(caught.value)


def saying(message: str | bytes) -> Callable[[ServerConnection], Awaitable[None]]:
    async def say(line: ServerConnection) -> None:
        await line.send(message)
        await line.wait_closed()

    return say


UNREAD = r"\[[\d,]+ bytes, sha256 [0-9a-f]{4}…\]"
SECRETS = pytest.mark.parametrize(
    "settings", [KEPT, {"secret_subscribe": {"login": LOGIN}}], ids=["query", "subscribe"]
)


@SECRETS
@pytest.mark.parametrize("way", ECHOES.values(), ids=ECHOES)
async def test_a_secret_that_a_stream_repeats_is_not_shown(
    way: Callable[[str], str], settings: dict[str, object]
) -> None:
    async def refuse(line: ServerConnection) -> None:
        await line.close(4001, f"who is {way(UNSEEN)}?")

    wrong: list[tuple[str | bytes, str]] = [
        (json.dumps({way(UNSEEN): 1}), "no rows at bars in"),
        ("." * 35 + way(UNSEEN), "not JSON:"),
        (b"." * 90 + way(UNSEEN).encode() + b"\xff", "not JSON:"),
    ]
    for message, what in wrong:
        said = await trouble_of(saying(message), **settings)
        assert re.search(rf"none of the 1 messages so far could be read as bars \({what} {UNREAD}\)", said), message
        assert is_hidden(said)
    assert "broken off (close code 4001)" in await trouble_of(refuse, **settings)


@SECRETS
async def test_a_cell_of_a_stream_that_repeats_a_secret_is_not_shown(settings: dict[str, object]) -> None:
    row = named(rows(1)[0]) | {"open": ["." * 30, UNSEEN], "low": "?"}
    async with Station().run() as station, listening(station.port, **settings) as feed:
        await station.say(row)
        await until(lambda: feed.inbox.recent.has_news([HARBOUR]))
        (answer,) = await feed.fetch([HARBOUR])
    assert re.fullmatch(f"open {UNREAD}, low {UNREAD}", answer.bars.unreadable[0])


async def test_what_a_stream_writes_is_shown_where_no_secret_is_sent_and_on_request() -> None:
    message = json.dumps({"error": "no such bars"})
    assert 'no rows at bars in {"error": "no such bars"}' in await trouble_of(saying(message))
    assert "no such bars" in await trouble_of(saying(message), show_body=True, **KEPT)
