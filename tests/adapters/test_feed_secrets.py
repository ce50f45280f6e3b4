"""Secrets that the feed ``http_json`` sends: they arrive, and nobody reads them anywhere else."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING
from urllib.parse import quote, urlsplit

import pytest

from adapters.feeds.secrets import HIDDEN
from scanner.ports import FeedTroubleError
from tests.adapters.feed_servers import as_json, raw_server, rows, silence, told
from tests.adapters.secret_samples import ESCAPED, KEPT, UNSEEN, is_hidden
from tests.adapters.servers import HOST, Request, Response, free_port, http_server
from tests.adapters.test_feed_http_json import answered, ask, queries
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
        ({"secret_query_names": {"apikey": "apiKey"}}, "names has apikey, but that secret is not there; give secret_"),
    ],
)
async def test_a_secret_that_is_useless_or_not_there_is_told_at_the_start(
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


@pytest.mark.parametrize(
    ("kind", "sentence"),
    [
        ("a refusal", "answers 401 Unauthorized; check secret_headers and secret_query"),
        ("a redirect", r"answers 302 Found; it has moved: .*not shown: a secret is in it"),
        ("a type", r"the answer is .*not shown: a secret is in it.*, not JSON"),
        ("no JSON", r"no JSON, it begins with .*not shown: a secret is in it"),
        ("a symbol", r"the first is of .*not shown: a secret is in it"),
    ],
)
@pytest.mark.parametrize("way", ESCAPED.values(), ids=ESCAPED)
async def test_a_secret_that_the_server_repeats_is_not_shown(
    way: Callable[[str], str], kind: str, sentence: str
) -> None:
    with http_server(echoes(way, kind)) as server, pytest.raises(FeedTroubleError, match=sentence) as caught:
        await ask(url=server.url, symbol="symbol", **KEPT)
    assert is_hidden(str(caught.value))
    assert str(caught.value).startswith(f"{server.url}: ")


@pytest.mark.parametrize("way", ESCAPED.values(), ids=ESCAPED)
async def test_a_cell_that_repeats_a_secret_is_not_shown_not_even_a_part_of_it(way: Callable[[str], str]) -> None:
    def answer(request: Request) -> Response:
        text = way(queries([request])[0]["apiKey"])
        first, second, third = rows(3)
        # Only the beginning of the secret would stand within what is shown of the first cell.
        return as_json(
            [first | {"open": ["." * 30, text]}, second | {"time": text, "low": "?"}, third | {"volume": {text: 1}}]
        )

    with http_server(answer) as server:
        (one,) = await ask(url=server.url + "/{symbol}", **KEPT)
        (joint,) = await ask(url=server.url, symbol="'HARBOUR'", **KEPT)
    expected = {0: f"open {HIDDEN}", 1: f'time {HIDDEN}, low "?"', 2: f"volume {HIDDEN}"}
    assert one.bars.unreadable == joint.bars.unreadable == expected


@pytest.mark.parametrize(
    ("header", "told"),
    [
        ("s3cr3t", "s3cr3t"),
        ("7", "no. 7"),
        ("open the gates now", "open the gates now"),
        ("open the gates now", "the gates"),
        ("Bearer s3cr3t", "a s3cr3t"),
        ("Bearer s3cr3t", "Bearer%20s3cr3t"),
        ("Signed by=me, of=0ddw0rd", "of 0ddw0rd"),
    ],
)
async def test_a_secret_in_a_header_is_not_shown_however_short(header: str, told: str) -> None:
    def answer(_: Request) -> Response:
        return Response(401, {}, told.encode())

    settings: dict[str, object] = {"secret_headers": {"Authorization": header}}
    with http_server(answer) as server, pytest.raises(FeedTroubleError) as caught:
        await ask(url=server.url + "/{symbol}", **settings)
    assert str(caught.value).endswith("answers 401 Unauthorized; check secret_headers and secret_query")


async def test_the_scheme_in_front_of_a_secret_may_be_shown() -> None:
    settings: dict[str, object] = {"secret_headers": {"Authorization": "Bearer s3cr3t"}}
    with pytest.raises(FeedTroubleError, match=r"Unauthorized, .a Bearer token is needed."):
        await answered(lambda _: Response(401, {}, b"a Bearer token is needed"), **settings)


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
    assert told.isascii()
    assert re.search(r"ver-se|\\x", told) is None


async def test_a_refusal_that_repeats_a_very_long_secret_is_not_shown() -> None:
    long = "unseen." * 1_000

    with pytest.raises(FeedTroubleError) as caught:
        await answered(lambda _: Response(401, {}, f"who is {long}?".encode()), secret_query={"key": long})
    assert is_hidden(str(caught.value))


async def test_no_trouble_on_the_way_shows_a_secret() -> None:
    with pytest.raises(FeedTroubleError, match="cannot be reached") as unreachable:
        await ask(url=f"http://{HOST}:{free_port()}/{{symbol}}", **KEPT)
    async with raw_server(silence) as port:
        with pytest.raises(FeedTroubleError, match="no whole answer within") as unanswered:
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
        (
            "http://other.example.org/?k={secret}",
            {},
            "its next page, .*not shown.*, is no other page of this server",
            1,
        ),
        ("?apiKey={secret}", {}, "its next page, .*not shown.*, is no other page of this server", 1),
        ("/{secret}/gone", {}, "^.not shown: a secret is in it.: answers 404", 2),
        ("{secret}", {"query": {"page": "{next}"}}, "the page .*not shown.* says that it is followed by itself", 2),
    ],
)
async def test_a_next_page_that_is_wrong_is_told_without_the_secret(
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
