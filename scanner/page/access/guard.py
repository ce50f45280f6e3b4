"""Which requests are accepted: the names of the page and the origin of a request; and what an answer may do.

Another site's page in the same browser can neither read nor change anything here: it has another origin, cannot
take our name (DNS rebinding), and knows no token.
"""

from __future__ import annotations

import asyncio
from dataclasses import dataclass
from http import HTTPStatus
from secrets import token_urlsafe
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse

if TYPE_CHECKING:
    from collections.abc import Collection

    from starlette.types import ASGIApp, Message, Receive, Scope, Send

LOCAL = ("127.0.0.1", "localhost", "[::1]")
SEND_WITHIN = 10.0
"""Seconds that a client may take to accept a part of an answer."""
LONGEST_FORM = 16_384
"""Most bytes of a form."""


@dataclass(frozen=True, slots=True)
class Reached:
    """How browsers reach the page: under which names, as in a URL without the port, and whether by https."""

    names: Collection[str] = LOCAL
    https: bool = False


def policy(nonce: str) -> str:
    """Give the policy of a page: it may run and fetch only what this server serves.

    The chart library adds its own style elements to the page; they carry the ``nonce``.
    """
    return (
        f"default-src 'none'; script-src 'self'; style-src 'self' 'nonce-{nonce}'; img-src 'self' data:; "
        "connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    )


class RequestGuard:
    """Accepts only requests that are meant for this page, and limits every answer."""

    def __init__(self, app: ASGIApp, reached: Reached) -> None:
        self.app = app
        self._names = {name.lower() for name in reached.names}
        self._scheme = "https" if reached.https else "http"

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http":
            return
        headers = Headers(scope=scope)
        nonce = token_urlsafe(16)
        scope.setdefault("state", {})["nonce"] = nonce

        async def limited(message: Message) -> None:
            if message["type"] == "http.response.start":
                self._limit(MutableHeaders(raw=message["headers"]), nonce)
            try:
                async with asyncio.timeout(SEND_WITHIN):
                    await send(message)
            except TimeoutError:
                # The client accepts nothing: stop its answer.
                raise OSError("the client takes nothing") from None

        refused = self._refusal(scope["method"], headers)
        if refused is not None:
            status, sentence = refused
            await PlainTextResponse(sentence, status)(scope, receive, limited)
            return
        await self.app(scope, receive, limited)

    def _refusal(self, method: str, headers: Headers) -> tuple[HTTPStatus, str] | None:
        hosts = headers.getlist("host")
        if len(hosts) != 1 or name_of(hosts[0]) not in self._names:
            return HTTPStatus.MISDIRECTED_REQUEST, "This page is not served under that name.\n"
        site, mode = headers.get("sec-fetch-site", "none"), headers.get("sec-fetch-mode", "navigate")
        if site not in {"none", "same-origin"} and (method not in {"GET", "HEAD"} or mode != "navigate"):
            return HTTPStatus.FORBIDDEN, "Another page may not ask for this.\n"
        if method in {"GET", "HEAD"}:
            return None
        if headers.getlist("origin") != [f"{self._scheme}://{hosts[0]}"]:
            return HTTPStatus.FORBIDDEN, "Only this page itself may send this.\n"
        length = headers.get("content-length", "")
        if not length.isdecimal() or int(length) > LONGEST_FORM or "transfer-encoding" in headers:
            return HTTPStatus.REQUEST_ENTITY_TOO_LARGE, "This is too long.\n"
        return None

    def _limit(self, headers: MutableHeaders, nonce: str) -> None:
        headers.setdefault("Content-Security-Policy", policy(nonce))
        headers["X-Frame-Options"] = "DENY"
        headers["X-Content-Type-Options"] = "nosniff"
        headers["Referrer-Policy"] = "same-origin"  # without a referrer a form has no origin
        headers["Cross-Origin-Resource-Policy"] = "same-origin"
        headers["Cross-Origin-Opener-Policy"] = "same-origin"
        headers["Permissions-Policy"] = "camera=(), geolocation=(), microphone=()"
        headers.setdefault("Cache-Control", "no-store")
        if self._scheme == "https":
            headers["Strict-Transport-Security"] = "max-age=31536000"


def name_of(host: str) -> str:
    """Give the name in a Host header, without its port; empty if the header is invalid.

    >>> name_of("LocalHost:8470"), name_of("[::1]:8470"), name_of("evil@localhost"), name_of("a:b")
    ('localhost', '[::1]', '', '')
    """
    try:
        parts = urlsplit(f"//{host}")
        port = parts.port  # ValueError if it is not a number
    except ValueError:
        return ""
    if parts.netloc != host or "@" in host or not parts.hostname or (port is None and host.endswith(":")):
        return ""
    return f"[{parts.hostname}]" if ":" in parts.hostname else parts.hostname.rstrip(".")
