"""Secrets that feeds send: they arrive, and nobody reads them anywhere else."""

from __future__ import annotations

import asyncio
import html
import json
import logging
import re
import unicodedata
from http import HTTPStatus
from typing import TYPE_CHECKING, Any
from urllib.parse import quote, urlsplit

import pytest
from pydantic import ValidationError
from websockets.asyncio.server import serve

from adapters.feeds.http_json import HttpJsonFeed
from adapters.feeds.secrets import HIDDEN, Secrets, looks_secret
from adapters.feeds.stream_json import StreamJsonFeed
from scanner.ports import FeedTroubleError
from scanner.service.configuration.outside import prepare
from scanner.settings import load
from tests.adapters.feed_servers import as_json, raw_server, rows, silence, told, until
from tests.adapters.servers import HOST, Request, Response, free_port, http_server
from tests.adapters.test_feed_http_json import HARBOUR, answered, ask, queries
from tests.adapters.test_feed_stream_json import Station, feed_at, listening, named

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable
    from pathlib import Path

    from websockets.asyncio.server import ServerConnection

UNSEEN = 'not/to+be=seen&by "any"\\body%2F'
KEPT: dict[str, object] = {"secret_query": {"apikey": UNSEEN}, "secret_query_names": {"apikey": "apiKey"}}
ESCAPED: dict[str, Callable[[str], str]] = {
    "as it is": str,
    "for an address": lambda text: quote(text, safe=""),
    "for JSON": json.dumps,
    "for JSON within HTML": lambda text: json.dumps(text).replace("/", "\\u002f").replace("&", "\\u0026"),
    "for HTML": html.escape,
    "in capitals": str.upper,
}


def is_hidden(text: str) -> bool:
    """Say whether no part of the secret can be read in a text."""
    return re.search("seen|body", text.lower()) is None


@pytest.fixture(autouse=True)
def nothing_is_logged(caplog: pytest.LogCaptureFixture) -> Any:  # noqa: ANN401 - a fixture that yields nothing
    """Listen to all that any library of ours logs, and find no secret in it."""
    caplog.set_level(logging.DEBUG)
    yield
    # The servers are ours as well, and tell what they are sent.
    logged = [record.getMessage() for record in caplog.get_records("call") if record.name != "websockets.server"]
    assert is_hidden(" ".join(logged))


@pytest.mark.parametrize(
    ("names", "secret"),
    [
        ("apikey apiKey API_KEY x-api-key access_key appKey key auth sig signature", True),
        ("token access_token authToken X-Auth-Token client_secret password passwd pwd Cookie Authorization", True),
        ("next_token pageToken continuation-token nextPageToken cursor", False),
        ("symbol from interval keyword monkey keys_only author design tokenized passage sigma", False),
    ],
)
def test_what_looks_like_a_secret(names: str, *, secret: bool) -> None:
    assert {name: looks_secret(name, "f00ba4") for name in names.split()} == dict.fromkeys(names.split(), secret)


@pytest.mark.parametrize("value", ["{next}", "{symbol}{timeframe}", "", True, None, {"a": 1}])
def test_what_is_under_a_name_like_that_and_yet_no_secret(value: object) -> None:
    assert not looks_secret("token", value)


@pytest.mark.parametrize("way", ESCAPED.values(), ids=ESCAPED)
def test_a_secret_is_found_in_a_text_whichever_way_it_is_escaped(way: Callable[[str], str]) -> None:
    secrets = Secrets([UNSEEN, ""])
    assert secrets.are_in(f"what is {way(UNSEEN)}?")
    assert not secrets.are_in(f"what is {way(UNSEEN)[:20]}?")
    assert not secrets.are_in("no word of it")


MANGLED: dict[str, Callable[[str], str]] = {
    "dropped": lambda text: text.encode("ascii", "ignore").decode(),
    "not decoded": lambda text: text.encode("ascii", "replace").decode(),
    "shown as bytes": lambda text: repr(bytearray(text.encode())),
    "shown as bytes of Latin-1": lambda text: repr(text.encode("latin-1", "replace")),
    "shown as bytes and shown again": lambda text: repr(repr(text.encode())),
    "decoded as Latin-1": lambda text: text.encode().decode("latin-1"),
    "for an address": lambda text: quote(text, safe=""),
    "for an address of Latin-1": lambda text: quote(text, safe="", encoding="latin-1", errors="replace"),
    "for JSON": json.dumps,
    "with accents apart": lambda text: unicodedata.normalize("NFD", text),
}


@pytest.mark.parametrize("way", MANGLED.values(), ids=MANGLED)
def test_a_secret_with_letters_beyond_ascii_is_found_however_these_were_mangled(way: Callable[[str], str]) -> None:
    for secret in ("pâté-du-chef", "gruß&kuß", "зёрна-42-of-7"):
        assert Secrets([secret]).are_in(f"<h1>{way(secret)}</h1>"), secret
    assert not Secrets(["pâté-du-chef", "зёрна"]).are_in(way("pâté du jour"))


@pytest.mark.parametrize("way", ["not decoded", "decoded as Latin-1", "shown as bytes"])
def test_a_secret_without_a_letter_of_ascii_is_found_or_gone(way: str) -> None:
    mangled = MANGLED[way]("зёрна")
    assert Secrets(["зёрна"]).are_in(mangled) or mangled == "?????"


URL = "https://bars.example.org/{symbol}"
AT = "wss://bars.example.org/"


@pytest.mark.parametrize(
    ("feed", "settings", "sentence"),
    [
        (HttpJsonFeed, {"query": {"apikey": "f00"}}, "of the query apikey is a secret: give it in secret_query.apikey"),
        (HttpJsonFeed, {"url": URL + "?depth=1&token=f00"}, "of the query token is a secret: give it in secret_query"),
        (StreamJsonFeed, {"url": AT + "?key=f00"}, "of the query key is a secret: give it in secret_query.key"),
        (
            StreamJsonFeed,
            {"subscribe": [{"do": "in", "of": {"token": "f00"}}]},
            "token in it is a secret: .*_subscribe",
        ),
        (StreamJsonFeed, {"subscribe": [{"do": ["in", {"password": ["f00"]}]}]}, "password in it is a secret"),
        (StreamJsonFeed, {"subscribe": ['{"do": "in", "apiKey": "f00"}']}, "apiKey in it is a secret"),
    ],
)
def test_a_secret_has_no_place_in_the_file(
    feed: type[HttpJsonFeed | StreamJsonFeed], settings: dict[str, object], sentence: str
) -> None:
    with pytest.raises(ValidationError, match=sentence) as caught:
        feed.Settings.model_validate({"url": URL if feed is HttpJsonFeed else AT} | settings)
    assert "f00" not in str(caught.value)


def test_paging_and_subscribing_are_no_secrets() -> None:
    query = {"page_token": "first", "token": "{next}"}
    HttpJsonFeed.Settings(url=URL + "?cursor_token={next}&author=7", query=query, next="onward")
    feed_at(1, subscribe=[{"do": "add", "key": "{symbol}"}, "token {symbol}", {"auth": True, "n": [1, [2]]}])


def test_the_names_of_parts_of_the_query_are_the_servers_own(tmp_path: Path) -> None:
    table = f'[feeds.provider]\ntype = "http_json"\nurl = "{URL}"\n'
    (tmp_path / "x.toml").write_text(
        '[station]\nsecrets = "."\n' + table + 'secret_query_names = {api_key = "api-Key"}\n'
    )
    (tmp_path / "feeds.provider.secret_query.userId").write_text("7\n")
    environ = {"CLOSEWATCH_FEEDS__PROVIDER__SECRET_QUERY__API_KEY": UNSEEN}
    prepared = prepare("feeds", "provider", load(tmp_path / "x.toml", {}), environ)
    assert prepared.mistakes == []
    settings: Any = prepared.settings
    assert settings.secret_parts() == {"userId": "7", "api-Key": UNSEEN}
    assert is_hidden(repr(settings))
    assert is_hidden(str(settings.model_dump()))
    (tmp_path / "x.toml").write_text('[station]\nsecrets = "."\n' + table + 'secret_query = {apikey = "f00"}\n')
    (mistake,) = prepare("feeds", "provider", load(tmp_path / "x.toml", {}), {}).mistakes
    assert mistake.sentence.startswith("feeds.provider.secret_query: is a secret; take it out")


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
    with pytest.raises(FeedTroubleError, match="cannot be opened or broke off") as caught:
        await feed_at(free_port(), **KEPT).start()
    sentences.append(str(caught.value))
    async with raw_server(silence) as port:
        with pytest.raises(FeedTroubleError, match="no stream was opened") as caught:
            await feed_at(port, connect_timeout=0.1, **KEPT).start()
        sentences.append(str(caught.value))
    assert is_hidden(" ".join(sentences))


async def trouble_of(behaviour: Callable[[ServerConnection], Awaitable[None]], **settings: object) -> str:
    """Listen to a server that says nothing of use, and give the trouble that is told of it."""
    async with serve(behaviour, HOST, 0) as server:
        port = next(iter(server.sockets)).getsockname()[1]
        with pytest.raises(FeedTroubleError) as caught:  # noqa: PT012 - it comes as soon as the server has spoken
            async with listening(port, rows="bars", first_pause=60, **settings) as feed, asyncio.timeout(10):
                while True:
                    await feed.fetch([HARBOUR])
                    await asyncio.sleep(0.005)
    return str(caught.value)


def saying(message: str | bytes) -> Callable[[ServerConnection], Awaitable[None]]:
    async def say(line: ServerConnection) -> None:
        await line.send(message)
        await line.wait_closed()

    return say


@pytest.mark.parametrize("settings", [KEPT, {"secret_subscribe": {"login": LOGIN}}], ids=["query", "subscribe"])
async def test_a_secret_that_a_stream_repeats_is_not_shown(settings: dict[str, object]) -> None:
    async def refuse(line: ServerConnection) -> None:
        await line.close(4001, f"who is {UNSEEN}?")

    # Only the beginning of the secret would stand within what is shown of a message.
    wrong: list[tuple[str | bytes, str]] = [
        (json.dumps({"error": {"of": "." * 15, "what": UNSEEN}}), "no rows at bars in"),
        (json.dumps({UNSEEN: 1}), "no rows at bars in"),
        ("." * 35 + UNSEEN, "no JSON:"),
        (b"." * 90 + UNSEEN.encode() + b"\xff", "no JSON:"),
    ]
    for message, what in wrong:
        said = await trouble_of(saying(message), **settings)
        assert "none of the 1 messages so far could be read as bars" in said
        assert is_hidden(said), message
        assert what in said
    assert f"broke off ({HIDDEN})" in await trouble_of(refuse, **settings)


@pytest.mark.parametrize("settings", [KEPT, {"secret_subscribe": {"login": LOGIN}}], ids=["query", "subscribe"])
async def test_a_cell_of_a_stream_that_repeats_a_secret_is_not_shown(settings: dict[str, object]) -> None:
    row = named(rows(1)[0]) | {"open": ["." * 30, UNSEEN], "low": "?"}
    async with Station().run() as station, listening(station.port, **settings) as feed:
        await station.say(row)
        await until(lambda: feed.inbox.recent.has_news([HARBOUR]))
        (answer,) = await feed.fetch([HARBOUR])
    assert answer.bars.unreadable == {0: f'open {HIDDEN}, low "?"'}


@pytest.mark.parametrize(
    ("message", "told", "hidden"),
    [
        ('{"do": "in", "pass": "s3cr3t"}', "s3cr3t", True),
        ('{"do": "in", "pin": 4711}', "4711", True),
        ('{"do": "in", "auth": {"of": {"k": "s3cr3t"}}}', "s3cr3t", True),
        ('{"do": "in", "of": ["me", "s3cr3t"]}', "s3cr3t", True),
        ('{"do": "in", "of": "open the gates now"}', "gates", True),
        ('{"do": "in", "pass": "s3cr3t"}', "not in", False),
        ("HELLO s3cr3t", "s3cr3t", True),
        ("HELLO s3cr3t", "HELLO", False),
        ("s3cr3t", "s3cr3t", True),
    ],
)
async def test_a_secret_in_a_message_is_not_shown_however_short(message: str, told: str, *, hidden: bool) -> None:
    said = await trouble_of(saying(json.dumps({"no": told})), secret_subscribe={"login": message})
    assert (told in said, HIDDEN in said) == (not hidden, hidden)
