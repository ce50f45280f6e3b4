"""The feed ``stream_json``: any websocket that streams bars in JSON."""

from __future__ import annotations

import json
import logging
from typing import TYPE_CHECKING, Any, Self
from urllib.parse import parse_qsl, urlsplit

from pydantic import Field, SecretStr, field_validator, model_validator
from websockets.asyncio.client import connect
from websockets.exceptions import ConnectionClosed, InvalidStatus, WebSocketException

from adapters.answers import hidden
from adapters.feeds.http.headers import SentSettings
from adapters.feeds.pushed.link import REAL
from adapters.feeds.pushed.messages import PushedFeed, PushedSettings
from adapters.feeds.secrets import refuse_secrets, secret_within
from scanner.ports import FeedTroubleError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from websockets.asyncio.client import ClientConnection

    from adapters.feeds.pushed.link import Outside
    from scanner.ports import Answer, Want

CLOSING_SECONDS = 1.0
LIBRARY = logging.getLogger("closewatch.websocket.library")
"""The library logs everything it sends here, including secrets. Exceptions report what goes wrong."""
LIBRARY.setLevel(logging.CRITICAL)
NAMES = ("{symbol}", "{timeframe}")


class StreamJsonSettings(PushedSettings, SentSettings):
    """The settings of the feed ``stream_json``."""

    url: str = Field(description="the address, which begins with wss:// or ws://")
    subscribe: tuple[dict[str, Any] | str, ...] = Field(
        (),
        description="messages to send once connected: tables, sent as JSON, or plain texts; one with {symbol} or "
        "{timeframe} is sent for each series, any other once; no secrets here",
    )
    secret_subscribe: dict[str, SecretStr] = Field(
        default_factory=dict,
        description="messages with secrets, such as a login, each under a name of your choice; never in the file; they "
        "are sent once connected, before all others, in the order of their names and unchanged",
    )
    ping_interval: float = Field(20.0, gt=0, description="seconds between pings")
    ping_timeout: float = Field(20.0, gt=0, description="seconds after which an unanswered ping ends the connection")

    @field_validator("url")
    @classmethod
    def _is_address(cls, value: str) -> str:
        parts = urlsplit(value)
        refuse_secrets("part of the query", parse_qsl(parts.query), "secret_query")
        if parts.scheme not in {"ws", "wss"} or not parts.hostname:
            raise ValueError("it must begin with wss:// or ws:// and the name of a server")
        if parts.username is not None:
            raise ValueError("an address must not contain a password; give it in secret_headers.Authorization")
        return value

    @field_validator("subscribe")
    @classmethod
    def _no_secrets_within(cls, value: tuple[dict[str, Any] | str, ...]) -> tuple[dict[str, Any] | str, ...]:
        if (name := secret_within(list(value))) is not None:
            raise ValueError(
                f"{name} in it is a secret: give the whole message, as it is sent, in secret_subscribe.NAME "
                "with a name of your choice, never in the file"
            )
        return value

    @model_validator(mode="after")
    def _series_is_named(self) -> Self:
        for name in ("symbol", "timeframe"):
            if getattr(self, name) is None:
                raise ValueError(f"set {name} to where a row names its {name}, or give it in single quotes")
        return self

    def address(self) -> str:
        """Give the address as it is sent, with the secrets in it."""
        parts = urlsplit(self.url)
        return parts._replace(query=self.with_secrets(parts.query)).geturl()

    def secret_messages(self) -> list[str]:
        """Give the messages with secrets in the order in which they are sent; ValueError for an empty one."""
        messages = {name: self.secret_subscribe[name].get_secret_value() for name in sorted(self.secret_subscribe)}
        for name, text in messages.items():
            if not text.strip():
                raise ValueError(f"secret_subscribe.{name} is empty; correct it")
        return list(messages.values())

    @property
    def sends_secrets(self) -> bool:
        """Whether a secret is sent, which the other side may repeat."""
        return super().sends_secrets or bool(self.secret_subscribe)


class _Straight(connect):
    """A connection without redirects: headers may hold secrets, which are for one server only."""

    def process_redirect(self, exc: Exception) -> Exception | str:
        """Follow none."""
        return exc


class StreamJsonFeed(PushedFeed):
    """Listens to a websocket and answers from the bars received; series are subscribed to when first requested."""

    Settings = StreamJsonSettings

    def __init__(self, settings: StreamJsonSettings, *, outside: Outside = REAL, show_body: bool = False) -> None:
        """Take the settings; ``show_body`` shows what the server writes, which may contain secrets."""
        self._shows = show_body or not settings.sends_secrets
        parts = urlsplit(settings.url)
        self._where = f"{parts.scheme}://{parts.netloc}{parts.path}"
        super().__init__(settings, self._where, self._session, outside, str if self._shows else hidden)
        self.settings = settings
        self.limits = settings.limits
        self._for_each = [each for each in settings.subscribe if any(name in _text(each) for name in NAMES)]
        self._once = [each for each in settings.subscribe if each not in self._for_each]
        self._series: dict[tuple[str, str], None] = {}  # in the order of the first requests
        self._socket: ClientConnection | None = None

    async def fetch(self, wants: Sequence[Want]) -> Sequence[Answer]:
        """Answer from memory, and subscribe to series requested for the first time; raises FeedTroubleError."""
        fresh = [series for want in wants if (series := (want.symbol, want.timeframe)) not in self._series]
        self._series |= dict.fromkeys(fresh)
        if self._socket is not None:
            try:
                for message in self._subscriptions(dict.fromkeys(fresh)):
                    await self._socket.send(message)
            except ConnectionClosed:
                pass  # the next connection subscribes to everything again
        return await super().fetch(wants)

    def _subscriptions(self, series: dict[tuple[str, str], None]) -> Iterator[str]:
        for symbol, timeframe in series:
            for message in self._for_each:
                names = dict(zip(NAMES, (symbol, self.settings.timeframe_there(timeframe)), strict=True))
                yield _text(_filled(message, names))

    async def _session(self, up: Callable[[], None]) -> None:
        settings = self.settings
        try:
            address, headers, secret_messages = settings.address(), settings.to_send(), settings.secret_messages()
        except ValueError as problem:
            raise FeedTroubleError(f"{self._where}: {problem}") from None
        try:
            async with _Straight(
                address,
                additional_headers=headers,
                open_timeout=settings.connect_timeout,
                ping_interval=settings.ping_interval,
                ping_timeout=settings.ping_timeout,
                close_timeout=CLOSING_SECONDS,
                max_size=settings.largest_message,
                logger=LIBRARY,
            ) as self._socket:
                for text in (*secret_messages, *map(_text, self._once), *self._subscriptions(self._series)):
                    await self._socket.send(text)
                up()
                async for received in self._socket:
                    self.inbox.take(received)
                raise FeedTroubleError(f"{self._where}: the server has closed the stream; closewatch reconnects")
        except InvalidStatus as problem:
            code = problem.response.status_code
            raise FeedTroubleError(
                f"{self._where}: the server answers {code} instead of opening a stream; check url and the secrets"
            ) from None
        except TimeoutError:
            raise FeedTroubleError(
                f"{self._where}: no stream was opened within {settings.connect_timeout:g} s; check the server"
            ) from None
        except (OSError, EOFError, ValueError, WebSocketException) as problem:
            raise FeedTroubleError(
                f"{self._where}: the stream cannot be opened or was broken off ({self._reason(problem)}); "
                "check the address and the server"
            ) from None
        finally:
            self._socket = None

    def _reason(self, problem: Exception) -> str:
        """Say what went wrong; only the system's own words cannot contain what was sent."""
        if self._shows or isinstance(problem, OSError):
            return str(problem)
        closing = problem.rcvd if isinstance(problem, ConnectionClosed) else None
        return type(problem).__name__ if closing is None else f"close code {closing.code}"


def _filled(part: Any, names: dict[str, str]) -> Any:  # noqa: ANN401 - JSON
    if isinstance(part, str):
        for name, value in names.items():
            part = part.replace(name, value)
        return part
    if isinstance(part, dict):
        return {_filled(key, names): _filled(value, names) for key, value in part.items()}
    return [_filled(value, names) for value in part] if isinstance(part, list) else part


def _text(message: dict[str, Any] | str) -> str:
    return message if isinstance(message, str) else json.dumps(message)
