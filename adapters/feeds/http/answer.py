"""Asking an HTTP endpoint for JSON, with a sentence for every possible failure."""

from __future__ import annotations

import asyncio
import json
import logging
import re
import zlib
from functools import cache
from typing import TYPE_CHECKING

import httpx
import orjson

from adapters.answers import hidden, what_failed
from adapters.feeds.files.trouble import quoted
from adapters.retry_after import retry_after
from scanner.ports import FeedTroubleError

if TYPE_CHECKING:
    import ssl
    from collections.abc import Generator

    from adapters.feeds.http.settings import HttpJsonSettings
    from adapters.feeds.pushed.link import Outside

# The libraries log addresses as sent, with the secrets in them. Exceptions report what goes wrong.
logging.getLogger("httpx").setLevel(logging.CRITICAL)
logging.getLogger("httpcore").setLevel(logging.CRITICAL)

MINUTE = 60.0
REFUSAL_READ = 65_536
"""Bytes read of the body of a refusal, for a reason that it may give."""
USUAL_TYPES = frozenset({"text/html", "text/plain", "text/csv", "text/xml", "application/xml"})
"""Types of an answer that may always be shown: they say what it is, and hold no secret."""

GZIP = {"gzip", "x-gzip"}
"""The supported encoding of answers, by its two names (RFC 9110, section 8.4.1.3)."""


@cache
def _authorities() -> ssl.SSLContext:
    """Read the certificates that are trusted; once for all feeds, since it takes long."""
    return httpx.create_ssl_context()


def _unpacked(packed: bytes | bytearray, most: int) -> bytes:
    """Unpack gzip up to a number of bytes; ValueError, with a clause, if it is not one whole up to there."""
    unpacker = zlib.decompressobj(zlib.MAX_WBITS | 16)
    try:
        body = unpacker.decompress(packed, most)
    except zlib.error:
        raise ValueError("is not the gzip that it says it is") from None
    if len(body) < most and (not unpacker.eof or unpacker.unused_data):
        raise ValueError("is gzip that is cut off, or that something follows")
    return body


def _loaded(body: bytes) -> object:
    """Decode JSON; the fast decoder refuses NaN, which is not strict JSON, and deep nesting, but servers send both."""
    try:
        return orjson.loads(body)
    except ValueError:
        return json.loads(body)


def where(url: httpx.URL) -> str:
    """Name an address in messages: without its query, which is long and explains little."""
    return re.split("[?#]", str(url), maxsplit=1)[0]


class _Secrets(httpx.Auth):
    """Puts the secret parts of the query into the address only when it is sent."""

    def __init__(self, settings: HttpJsonSettings) -> None:
        self._settings = settings

    def auth_flow(self, request: httpx.Request) -> Generator[httpx.Request, httpx.Response]:
        """Send the request with the secrets."""
        query = self._settings.with_secrets(request.url.query.decode())
        request.url = request.url.copy_with(query=query.encode() or None)
        yield request


class JsonEndpoint:
    """Asks for JSON, no more often than allowed.

    Redirects are not followed: headers and query may hold secrets, which are for one server only. If a secret is sent,
    what the server writes is shown only with ``show_body``.
    """

    def __init__(
        self,
        settings: HttpJsonSettings,
        outside: Outside,
        *,
        show_body: bool,
    ) -> None:
        self.shows = show_body or not settings.sends_secrets
        self._settings = settings
        self._outside = outside
        self._turn = asyncio.Lock()
        self._next_turn = 0.0
        self._client: httpx.AsyncClient | None = None

    def start(self) -> None:
        """Prepare; nothing is sent yet. Raises FeedTroubleError for headers and secrets that cannot be sent."""
        if self._client is None:
            try:
                headers = httpx.Headers({"Accept-Encoding": "gzip"})
                headers.update(self._settings.to_send())
                self._settings.secret_parts()
            except ValueError as problem:
                raise FeedTroubleError(f"{self._settings.url}: {problem}") from None
            auth = _Secrets(self._settings) if self._settings.secret_query else None
            self._client = httpx.AsyncClient(
                verify=_authorities(), headers=headers, auth=auth, timeout=self._settings.timeout
            )

    async def stop(self) -> None:
        """Close all connections."""
        client, self._client = self._client, None
        if client is not None:
            await client.aclose()

    def told(self, text: str, limit: int = 60) -> str:
        """Give what the server wrote, as far as it may be shown."""
        return quoted(text, limit) if self.shows else hidden(text)

    async def ask(self, url: httpx.URL, here: str) -> object:
        """Give the decoded answer; raises FeedTroubleError, with ``here`` for the address."""
        if self._client is None:
            raise FeedTroubleError(f"{here}: the feed has not been started; start it first")
        await self._wait_for_turn()
        try:
            async with asyncio.timeout(self._settings.timeout):
                body = await self._body(self._client, url, here)
        except (TimeoutError, httpx.TimeoutException):
            raise FeedTroubleError(
                f"{here}: no complete answer within {self._settings.timeout:g} s; check the server, or raise timeout"
            ) from None
        except httpx.ConnectError as problem:
            reason = what_failed(problem)
            raise FeedTroubleError(f"{here}: cannot be reached ({reason}); check the address and the network") from None
        except httpx.HTTPError as problem:
            reason = str(problem) if self.shows and str(problem) else what_failed(problem)
            raise FeedTroubleError(f"{here}: the answer broke off ({reason}); check the server") from None
        try:
            return _loaded(body)
        except (ValueError, RecursionError):
            text = self.told(body.decode(errors="replace"))
            raise FeedTroubleError(f"{here}: the answer is not JSON: {text}; check the address") from None

    async def _wait_for_turn(self) -> None:
        """Keep to the requests per minute that the server allows; an answer of several pages takes several."""
        allowed = self._settings.requests_per_minute
        if allowed is None:
            return
        async with self._turn:
            if (left := self._next_turn - self._outside.clock()) > 0:
                await self._outside.sleep(left)
            self._next_turn = self._outside.clock() + MINUTE / allowed

    async def _body(self, client: httpx.AsyncClient, url: httpx.URL, here: str) -> bytes:
        async with client.stream("GET", url) as response:
            if not response.is_success:
                raise await self._refusal(response, here)
            kind = response.headers.get("content-type", "")
            if self._settings.content_type.lower() not in kind.lower():
                usual = kind.partition(";")[0].strip().lower()
                stated = (usual if usual in USUAL_TYPES else self.told(kind)) if kind else "of no stated type"
                raise FeedTroubleError(
                    f"{here}: the answer is {stated}, not JSON; "
                    "check the address, or set content_type if that is JSON anyway"
                )
            try:
                body, whole = await self._read(response, self._settings.largest_answer)
            except ValueError as problem:
                raise FeedTroubleError(f"{here}: the answer {problem}; check the server") from None
            if not whole:
                raise FeedTroubleError(
                    f"{here}: the answer is longer than {self._settings.largest_answer:,} bytes; "
                    "ask for fewer bars with limit, or raise largest_answer"
                )
            return body

    async def _read(self, response: httpx.Response, limit: int) -> tuple[bytes, bool]:
        """Read a body up to a limit, as sent and unpacked, and say whether that was everything.

        ValueError with a clause that says why it cannot be unpacked. Data packed more than once is refused: a few bytes
        could become billions.
        """
        encoding = response.headers.get("content-encoding", "identity").lower()
        if encoding not in {"identity", *GZIP}:
            raise ValueError(f"is encoded as {self.told(encoding)}, but gzip was asked for")
        sent = bytearray()
        async for part in response.aiter_raw():
            sent += part
            if len(sent) > limit:
                break
        if encoding == "identity":
            body = bytes(sent)
        elif len(sent) > limit:
            return b"", False
        else:
            body = await asyncio.to_thread(_unpacked, sent, limit + 1)
        return body[:limit], len(body) <= limit

    async def _refusal(self, response: httpx.Response, here: str) -> FeedTroubleError:
        code = response.status_code
        after = retry_after(response.headers.get("retry-after"), self._outside.now())
        try:
            body, _ = await self._read(response, REFUSAL_READ)
        except ValueError:
            body = b""
        text = body.decode(errors="replace").strip()
        # The standard words for the code: the server's own may be anything.
        answer = f"{here}: answers {code} {httpx.codes.get_reason_phrase(code)}".rstrip()
        answer += f", {self.told(text, 120)}" if text else ""
        if code == httpx.codes.TOO_MANY_REQUESTS:
            todo = "it is asked too often: lower requests_per_minute"
        elif response.has_redirect_location:
            onward = self.told(response.headers["location"], 200)
            todo = f"it has moved: change url to the new address, if {onward} is right"
        elif code in {httpx.codes.UNAUTHORIZED, httpx.codes.FORBIDDEN}:
            todo = "check secret_headers and secret_query"
        elif response.is_server_error:
            todo = "the failure is on its side: closewatch keeps trying"
        else:
            todo = "check url, query and symbol, and set earliest if it has no bars that old"
        return FeedTroubleError(f"{answer}; {todo}", after)
