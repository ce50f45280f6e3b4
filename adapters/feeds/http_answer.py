"""Asking an HTTP endpoint for JSON, with a sentence for everything that may go wrong."""

from __future__ import annotations

import asyncio
import json
from typing import TYPE_CHECKING, Any

import httpx

from adapters.feeds.files_trouble import quoted
from adapters.feeds.retry_after import retry_after
from scanner.ports import FeedTroubleError

if TYPE_CHECKING:
    from collections.abc import Callable

    from adapters.feeds.http_settings import HttpJsonSettings

REFUSAL_SHOWN = 2_000
"""Bytes of the body of a refusal that are read, for the reason that it may give."""


def where(url: httpx.URL) -> str:
    """Name an address in messages: without its query, which says much and explains little."""
    return str(url.copy_with(query=None, fragment=None))


class JsonEndpoint:
    """Asks for JSON. Redirects are not followed: headers may carry secrets, and are for one server only.

    ``clock`` gives seconds since 1970.
    """

    def __init__(self, settings: HttpJsonSettings, clock: Callable[[], float]) -> None:
        self._settings = settings
        self._clock = clock
        self._client: httpx.AsyncClient | None = None

    def start(self) -> None:
        """Get ready; nothing is sent yet. Raises FeedTroubleError for headers that cannot be sent."""
        if self._client is None:
            try:
                headers = self._settings.to_send()
            except ValueError as problem:
                raise FeedTroubleError(f"{self._settings.url}: {problem}") from None
            self._client = httpx.AsyncClient(headers=headers, timeout=self._settings.timeout)

    async def stop(self) -> None:
        """Close all connections."""
        client, self._client = self._client, None
        if client is not None:
            await client.aclose()

    async def ask(self, url: httpx.URL) -> Any:  # noqa: ANN401 - JSON
        """Give the decoded answer; raises FeedTroubleError."""
        if self._client is None:
            raise FeedTroubleError(f"{where(url)}: the feed has not been started; start it first")
        try:
            async with asyncio.timeout(self._settings.timeout):
                body = await self._body(self._client, url)
        except (TimeoutError, httpx.TimeoutException):
            raise FeedTroubleError(
                f"{where(url)}: no whole answer within {self._settings.timeout:g} s; check the server, or raise timeout"
            ) from None
        except httpx.ConnectError as problem:
            raise FeedTroubleError(
                f"{where(url)}: cannot be reached ({problem}); check the address and the network"
            ) from problem
        except httpx.HTTPError as problem:
            reason = str(problem) or type(problem).__name__
            raise FeedTroubleError(f"{where(url)}: the answer broke off ({reason}); check the server") from problem
        try:
            return json.loads(body)
        except (ValueError, RecursionError):
            text = body[:200].decode(errors="replace")
            raise FeedTroubleError(
                f"{where(url)}: the answer is no JSON, it begins with {quoted(text)}; check the address"
            ) from None

    async def _body(self, client: httpx.AsyncClient, url: httpx.URL) -> bytes:
        async with client.stream("GET", url) as response:
            if not response.is_success:
                raise await self._refusal(response)
            kind = response.headers.get("content-type", "")
            if self._settings.content_type.lower() not in kind.lower():
                raise FeedTroubleError(
                    f"{where(url)}: the answer is {quoted(kind) if kind else 'of no stated type'}, not JSON; "
                    "check the address, or set content_type if that is JSON all the same"
                )
            body, whole = await self._read(response, self._settings.largest_answer)
            if not whole:
                raise FeedTroubleError(
                    f"{where(url)}: the answer is longer than {self._settings.largest_answer:,} bytes; "
                    "ask for fewer bars with limit, or raise largest_answer"
                )
            return body

    @staticmethod
    async def _read(response: httpx.Response, limit: int) -> tuple[bytes, bool]:
        """Read a body up to a limit, and say whether that was all of it."""
        body = bytearray()
        async for part in response.aiter_bytes():
            body += part
            if len(body) > limit:
                return bytes(body[:limit]), False
        return bytes(body), True

    async def _refusal(self, response: httpx.Response) -> FeedTroubleError:
        code = response.status_code
        after = retry_after(response.headers.get("retry-after"), self._clock())
        body, _ = await self._read(response, REFUSAL_SHOWN)
        text = body.decode(errors="replace").strip()
        if self._settings.is_told(text):
            text = ""
        answer = f"{where(response.url)}: answers {code} {response.reason_phrase}".rstrip()
        answer += f", {quoted(text, 120)}" if text else ""
        if code == httpx.codes.TOO_MANY_REQUESTS:
            todo = "it is asked too often: lower requests_per_minute"
        elif response.is_redirect:
            todo = f"it has moved: put the new address in url, if {quoted(response.headers['location'], 200)} is right"
        elif code in {httpx.codes.UNAUTHORIZED, httpx.codes.FORBIDDEN}:
            todo = "check the secret headers"
        elif response.is_server_error:
            todo = "the trouble is on its side: it is asked again"
        else:
            todo = "check url, query and symbol"
        return FeedTroubleError(f"{answer}; {todo}", after)
