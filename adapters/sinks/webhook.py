"""The sink ``webhook``: events posted to a URL by the HTTP binding of CloudEvents, signed.

One event is sent in structured or binary mode, as configured; a digest is one batch. ``webhook_signature`` says how a
receiver checks the origin of a request. Redirects are not followed: an alert goes to the host it is meant for, or
nowhere.

One answer is final, 422: the receiver has read the event and cannot accept its content. All others may come from
something on the way (a proxy, a maintenance page, a login, a limit on size) that can be fixed, so the event waits and
is retried. What the receiver writes is never shown: it may contain the URL, which is a secret.
"""

from __future__ import annotations

import asyncio
import ssl
import time
from datetime import datetime
from functools import cache
from pathlib import Path  # noqa: TC003 - pydantic reads the annotations
from typing import TYPE_CHECKING, Literal

import httpx
from cloudevents.core.bindings.http import to_binary_event
from cloudevents.core.v1.event import CloudEvent
from pydantic import ConfigDict, Field, SecretStr, field_validator

from adapters.answers import measured, what_failed
from adapters.retry_after import retry_after
from adapters.sinks.envelope import MEDIA_TYPE, as_json, envelope
from adapters.sinks.webhook_signature import SIGNATURE, TIMESTAMP, sign
from scanner.ports import DeliveryError, DeliveryRefusedError
from scanner.wording.config_table import ConfigTable

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from scanner.ports import Message

BATCH_TYPE = "application/cloudevents-batch+json"
FINAL = httpx.codes.UNPROCESSABLE_ENTITY
"""The receiver understands the request and cannot process what is in it (RFC 9110, section 15.5.21)."""
OF_BATCHES = frozenset({FINAL, 400, 413, 415})
"""Answers by which a receiver may refuse a batch, or one that is too large: the events are then sent one by one."""
ENOUGH_OF_AN_ANSWER = 65_536
"""Bytes of an answer that are read."""
CONNECTIONS = 10
"""Most requests under way at once."""


class WebhookSettings(ConfigTable):
    """Where to post, and how."""

    model_config = ConfigDict(hide_input_in_errors=True)

    url: SecretStr = Field(description="http or https URL to post to; a secret, since many contain a token")
    secret: SecretStr = Field(
        min_length=16, description="key to sign with, known to sender and receiver; at least 16 characters"
    )
    mode: Literal["structured", "binary"] = Field(
        "structured", description="structured puts the whole event into the body, binary its attributes into headers"
    )
    timeout: float = Field(10, gt=0, le=300, description="seconds to wait for the answer, in all")
    ca_file: Path | None = Field(
        None, description="PEM file of the authorities to trust; by default those of the system"
    )

    @field_validator("url")
    @classmethod
    def _a_url(cls, url: SecretStr) -> SecretStr:
        try:
            parts = httpx.URL(url.get_secret_value())
        except httpx.InvalidURL as error:
            raise ValueError("not a URL; is its port a number?") from error
        if parts.scheme not in {"http", "https"} or not parts.host:
            raise ValueError("it must be a URL that begins with http:// or https:// and a host")
        return url


class WebhookSink:
    """Posts events to a URL, over connections that are kept open."""

    Settings = WebhookSettings
    wants_pictures = False
    digests = True
    at_once = CONNECTIONS

    def __init__(self, settings: WebhookSettings, *, clock: Callable[[], float] = time.time) -> None:
        self._settings = settings
        self._clock = clock
        self._client: httpx.AsyncClient | None = None
        url = httpx.URL(settings.url.get_secret_value())
        # Neither a login nor a token of the URL may appear in a message.
        self._where = f"The webhook at {url.scheme}://{url.netloc.decode()}"

    async def start(self) -> None:
        """Read the certificates to trust; raises DeliveryError. There is no connection to open yet."""
        if self._client is None:
            trust = await asyncio.to_thread(self._trust)
            self._client = httpx.AsyncClient(
                verify=trust,
                timeout=self._settings.timeout,
                limits=httpx.Limits(max_connections=CONNECTIONS),
                headers={"User-Agent": "closewatch", "Accept-Encoding": "identity"},
            )

    async def stop(self) -> None:
        """Close the connections."""
        if self._client is not None:
            await self._client.aclose()
            self._client = None

    async def deliver(self, messages: Sequence[Message]) -> None:
        """Post one event, or several as a batch, and return once the receiver has confirmed them.

        Raises DeliveryError, with ``retry_after`` if the receiver gives it, and DeliveryRefusedError.
        """
        if self._client is None:
            raise DeliveryError("The sink webhook is not started")
        headers, body = self._request(messages)
        timestamp = str(int(self._clock()))
        headers |= {
            TIMESTAMP: timestamp,
            SIGNATURE: sign(self._settings.secret.get_secret_value(), timestamp, headers, body),
        }
        url = self._settings.url.get_secret_value()
        try:
            async with (
                asyncio.timeout(self._settings.timeout),
                self._client.stream("POST", url, headers=headers, content=body) as response,
            ):
                answer = await _beginning(response)
        except TimeoutError as error:
            raise DeliveryError(f"{self._where} did not answer in {self._settings.timeout:g} s") from error
        except httpx.HTTPError as error:
            raise DeliveryError(f"{self._where} cannot be reached: {what_failed(error)}") from None
        if not response.is_success:
            raise self._trouble(response, answer, is_batch=len(messages) > 1)

    def _request(self, messages: Sequence[Message]) -> tuple[dict[str, str], bytes]:
        if len(messages) > 1:
            return {"Content-Type": BATCH_TYPE}, b"[" + b",".join(map(as_json, messages)) + b"]"
        (message,) = messages
        if self._settings.mode == "structured":
            return {"Content-Type": MEDIA_TYPE}, as_json(message)
        attributes = envelope(message)
        data = attributes.pop("data")
        attributes["time"] = datetime.fromisoformat(attributes["time"])
        if message.late:
            attributes["late"] = "true"  # as CloudEvents writes a boolean in a header; str() would not
        made = to_binary_event(CloudEvent(attributes, data))
        return made.headers, made.body

    def _trouble(self, response: httpx.Response, answer: bytes, *, is_batch: bool) -> DeliveryError:
        status = response.status_code
        said = f"{self._where} answered {status} {httpx.codes.get_reason_phrase(status)}".rstrip()
        if answer:
            said += f" ({measured(answer)})"
        if status == FINAL or (is_batch and status in OF_BATCHES):
            return DeliveryRefusedError(said)
        if response.is_redirect:
            said += "; redirects are not followed: set url to the receiver's new address"
        elif response.is_client_error:
            said += "; check url and the receiver"
        return DeliveryError(said, retry_after(response.headers.get("Retry-After"), self._clock()))

    def _trust(self) -> ssl.SSLContext:
        try:
            return ssl.create_default_context(cafile=ca_file) if (ca_file := self._settings.ca_file) else _system()
        except OSError as error:
            raise DeliveryError(f"Cannot use the certificates in {self._settings.ca_file}: {error}") from error


@cache
def _system() -> ssl.SSLContext:
    """Read the certificates that the system trusts; once, since it takes long."""
    return ssl.create_default_context()


async def _beginning(response: httpx.Response) -> bytes:
    """Read the start of an answer: most end within it, so that the connection can be reused."""
    read = b""
    async for chunk in response.aiter_raw():
        read += chunk
        if len(read) > ENOUGH_OF_AN_ANSWER:
            break
    return read[:ENOUGH_OF_AN_ANSWER]
