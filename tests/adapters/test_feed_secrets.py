"""Secrets that the feed ``http_json`` sends: they arrive, and cannot be read anywhere else."""

from __future__ import annotations

import base64
import re
from typing import TYPE_CHECKING
from urllib.parse import quote, urlsplit

import pytest

from adapters.feeds.http_json import HttpJsonFeed
from scanner.ports import FeedTroubleError
from tests.adapters.feed_servers import as_json, raw_server, rows, silence, told
from tests.adapters.secret_samples import ECHOES, KEPT, LOGIN, UNSEEN, is_hidden
from tests.adapters.servers import HOST, Request, Response, free_port, http_server
from tests.adapters.test_feed_http_json import HARBOUR, answered, ask, queries
from tests.adapters.test_feed_stream_json import feed_at

if TYPE_CHECKING:
    import asyncio
    from collections.abc import Callable


URL = "https://bars.example.org/{symbol}"
pytestmark = pytest.mark.usefixtures("nothing_secret_is_logged")


@pytest.mark.parametrize(
    ("settings", "sentence"),
    [
        ({"secret_query": {"apikey": ""}}, "secret_query.apikey is empty, or has blanks"),
        ({"secret_query": {"apikey": f"{UNSEEN}\n"}}, "secret_query.apikey is empty, or has blanks"),
        ({"secret_query_names": {"apikey": "apiKey"}}, "names has apikey, but that secret is missing; give secret_"),
    ],
)
async def test_a_secret_that_is_useless_or_not_there_is_reported_at_the_start(
    settings: dict[str, object], sentence: str
) -> None:
    with pytest.raises(FeedTroubleError, match=sentence) as caught:
        await ask(url=URL, **settings)
    assert is_hidden(str(caught.value))
    with pytest.raises(FeedTroubleError, match=sentence):
        await feed_at(1, **settings).start()


async def test_a_secret_arrives_in_the_query_and_leaves_the_rest_as_it_was() -> None:
    with http_server(lambda _: as_json(rows(1))) as server:
        (answer,) = await ask(url=server.url + "/{symbol}?a=%2f,b&c", query={"from": "{since}"}, **KEPT)
        (answer,) = await ask(url=server.url + "/{symbol}", **KEPT)
    first, second = (urlsplit(request.path).query for request in server.requests)
    assert queries(server.requests)[0]["apiKey"] == queries(server.requests)[1]["apiKey"] == UNSEEN
    assert queries(server.requests)[0]["a"] == "/,b"
    assert first.count("apiKey") == second.count("apiKey") == 1
    assert told(answer.bars) == rows(1)
    assert is_hidden(answer.bars.source)


def echoes(way: Callable[[str], str], kind: str) -> Callable[[Request], Response]:
    """Make a server that repeats the secret it was sent in one part of its answer."""
    as_body = {"Content-Type": "application/json"}

    def answer(request: Request) -> Response:
        text = way(queries([request])[0]["apiKey"])
        if kind == "a redirect":
            return Response(302, {"Location": f"https://{HOST}/bars?apiKey={quote(text)}"})
        if kind == "a type":
            return Response(200, {"Content-Type": f"text/x; of={text}"}, b"[]")
        if kind == "a symbol":
            return as_json([rows(1)[0] | {"symbol": text}])
        body = f"{' ' * 30}{text} is not known".encode()
        return Response(401, {}, body) if kind == "a refusal" else Response(200, as_body, b"oh" + body)

    return answer


UNREAD = r"\[[\d,]+ bytes, sha256 [0-9a-f]{4}…\]"
"""The replacement for a text that is not shown."""


@pytest.mark.parametrize(
    ("kind", "sentence"),
    [
        ("a refusal", f"answers 401 Unauthorized, {UNREAD}; check secret_headers and secret_query$"),
        ("a redirect", f"answers 302 Found; it has moved: change url to the new address, if {UNREAD} is right$"),
        ("a type", f"the answer is {UNREAD}, not JSON"),
        ("no JSON", f"the answer is not JSON: {UNREAD}; check the address$"),
        ("a symbol", f"the first is of {UNREAD}; check symbol$"),
    ],
)
@pytest.mark.parametrize("way", ECHOES.values(), ids=ECHOES)
async def test_a_secret_that_the_server_repeats_is_not_shown(
    way: Callable[[str], str], kind: str, sentence: str
) -> None:
    with http_server(echoes(way, kind)) as server, pytest.raises(FeedTroubleError, match=sentence) as caught:
        await ask(url=server.url, symbol="symbol", **KEPT)
    assert is_hidden(str(caught.value))
    assert str(caught.value).startswith(f"{server.url}: ")


@pytest.mark.parametrize("way", ECHOES.values(), ids=ECHOES)
async def test_a_cell_that_repeats_a_secret_is_not_shown(way: Callable[[str], str]) -> None:
    def answer(request: Request) -> Response:
        text = way(queries([request])[0]["apiKey"])
        first, second, third = rows(3)
        return as_json(
            [first | {"open": ["." * 30, text]}, second | {"time": text, "low": "?"}, third | {"volume": {text: 1}}]
        )

    with http_server(answer) as server:
        (one,) = await ask(url=server.url + "/{symbol}", **KEPT)
        (joint,) = await ask(url=server.url, symbol="'HARBOUR'", **KEPT)
    assert one.bars.unreadable == joint.bars.unreadable
    for row, expected in enumerate((f"open {UNREAD}", f"time {UNREAD}, low {UNREAD}", f"volume {UNREAD}")):
        assert re.fullmatch(expected, one.bars.unreadable[row])


@pytest.mark.parametrize("way", ECHOES.values(), ids=ECHOES)
async def test_a_login_in_a_basic_header_is_not_shown_when_the_server_decodes_it(way: Callable[[str], str]) -> None:
    def answer(request: Request) -> Response:
        login = base64.b64decode(request.headers["Authorization"].split()[1]).decode()
        return Response(401, {}, f"who is {way(login)}?".encode())

    basic = f"Basic {base64.b64encode(LOGIN.encode()).decode()}"
    with pytest.raises(FeedTroubleError, match=f"answers 401 Unauthorized, {UNREAD}; check") as caught:
        await answered(answer, secret_headers={"Authorization": basic})
    assert is_hidden(str(caught.value))


async def test_what_a_server_writes_is_shown_where_no_secret_was_sent_and_on_request() -> None:
    with http_server(lambda _: Response(404, {}, b"no such thing")) as server:
        plain = {"url": f"{server.url}/{{symbol}}"}
        settings = HttpJsonFeed.Settings.model_validate(plain)
        with_secret = HttpJsonFeed.Settings.model_validate(plain | KEPT)
        for feed in (HttpJsonFeed(settings), HttpJsonFeed(with_secret, show_body=True)):
            await feed.start()
            with pytest.raises(FeedTroubleError, match='answers 404 Not Found, "no such thing"; check url'):
                await feed.fetch([HARBOUR])
            await feed.stop()


@pytest.mark.parametrize(
    "head",
    [
        "HTTP/1.1 401 no {secret}\r\nContent-Length: 0",
        "HTTP/1.1 200 OK\r\n{secret}",
        "HTTP/1.1 200 OK\r\nContent-Length: 0\r\nContent-Type: x\xff/{secret}",
        "HTTP/1.1 302 Found\r\nX: \xff\r\nLocation: /{secret}\r\nContent-Length: 0",
        "{secret}",
    ],
)
@pytest.mark.parametrize("encoding", ["utf-8", "latin-1"])
@pytest.mark.parametrize("secret", ["näver-seèn-bodÿ", "ñèéçøß"])
async def test_a_secret_with_letters_beyond_ascii_is_not_shown_by_a_server_that_knows_ascii_alone(
    head: str, encoding: str, secret: str
) -> None:
    async def answer(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.readuntil(b"\r\n\r\n")
        before, _, after = head.partition("{secret}")
        writer.write(before.encode("latin-1") + secret.encode(encoding) + after.encode("latin-1") + b"\r\n\r\n")
        await silence(reader, writer)

    async with raw_server(answer) as port:
        with pytest.raises(FeedTroubleError) as caught:
            await ask(url=f"http://{HOST}:{port}/{{symbol}}", secret_query={"key": secret})
    told = str(caught.value).removeprefix(f"http://{HOST}:{port}/HARBOUR: ")
    assert told.replace("…", "").isascii()
    assert re.search(r"ver-se|\\x", told) is None


async def test_no_trouble_on_the_way_shows_a_secret() -> None:
    with pytest.raises(FeedTroubleError, match="cannot be reached") as unreachable:
        await ask(url=f"http://{HOST}:{free_port()}/{{symbol}}", **KEPT)
    async with raw_server(silence) as port:
        with pytest.raises(FeedTroubleError, match="no complete answer within") as unanswered:
            await ask(url=f"http://{HOST}:{port}/{{symbol}}", timeout=0.1, **KEPT)
    assert is_hidden(f"{unreachable.value} {unanswered.value}")
    assert unreachable.value.__suppress_context__


@pytest.mark.parametrize("carried", ["", "&apiKey={secret}", "&apiKey=another"])
async def test_a_next_page_of_the_same_server_is_sent_the_secret_once(carried: str) -> None:
    def answer(request: Request) -> Response:
        page = int(queries([request])[0].get("page", "0"))
        onward = f"{server.url}/x?page={page + 1}&at=%2f{carried.replace('{secret}', quote(UNSEEN, safe=''))}"
        return as_json({"bars": rows(6)[2 * page :][:2], "next": onward if page < 2 else None})

    with http_server(answer) as server:
        (found,) = await ask(url=server.url + "/{symbol}", rows="bars", next="next", **KEPT)
        assert [each["apiKey"] for each in queries(server.requests)] == [UNSEEN] * 3
        assert [request.path.count("apiKey") for request in server.requests] == [1] * 3
    assert told(found.bars) == rows(6)


@pytest.mark.parametrize(
    ("onward", "settings", "sentence", "requests"),
    [
        ("http://other.example.org/?k={secret}", {}, f"its next page, {UNREAD}, is not another page of this", 1),
        ("?apiKey={secret}", {}, f"its next page, {UNREAD}, is not another page of this server", 1),
        ("/{secret}/gone", {}, r"^http://[\d.:]+: answers 404", 2),
        ("{secret}", {"query": {"page": "{next}"}}, f"the page {UNREAD} names itself as its next page", 2),
    ],
)
async def test_a_next_page_that_is_wrong_is_reported_without_the_secret(
    onward: str, settings: dict[str, object], sentence: str, requests: int
) -> None:
    def answer(request: Request) -> Response:
        if request.path.startswith("/not"):
            return as_json({}, 404)
        return as_json({"bars": rows(1), "next": onward.replace("{secret}", quote(UNSEEN, safe=""))})

    with http_server(answer) as server, pytest.raises(FeedTroubleError, match=sentence) as caught:
        await ask(url=server.url, rows="bars", next="next", symbol="'HARBOUR'", **KEPT, **settings)
    assert is_hidden(str(caught.value))
    assert len(server.requests) == requests
