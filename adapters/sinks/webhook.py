"""The sink ``webhook``: events posted to a URL by the HTTP binding of CloudEvents, signed.

One event goes in structured or binary mode, as set; a digest is one batch. ``webhook_signature`` says how a receiver
checks where a request is from. No redirect is followed: an alert goes to the host it is meant for, or nowhere.
"""

from __future__ import annotations

import asyncio
import ssl
import time
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from pathlib import Path  # noqa: TC003  # pydantic reads the annotations
from typing import TYPE_CHECKING, Literal

import httpx
from cloudevents.core.bindings.http import to_binary_event
from cloudevents.core.v1.event import CloudEvent
from pydantic import BaseModel, ConfigDict, Field, SecretStr, field_validator

from adapters.sinks.envelope import MEDIA_TYPE, as_json, envelope
from adapters.sinks.webhook_signature import SIGNATURE, TIMESTAMP, sign
from scanner.ports import DeliveryError, DeliveryRefusedError
from scanner.present.text import plain

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from scanner.ports import Message

BATCH_TYPE = "application/cloudevents-batch+json"
PASSING = frozenset({408, 425, 429})
"""Client errors after which a later try may go better; of the others none does, of the server errors any."""
ENOUGH_OF_AN_ANSWER = 2_000
CONNECTIONS = 10
"""How many the receiver is asked to bear at once."""


class WebhookSettings(BaseModel):
    """Whom to post to, and how."""

    model_config = ConfigDict(frozen=True, extra="forbid", hide_input_in_errors=True)

    url: SecretStr = Field(description="http or https URL to post to; a secret, since many hold a token")
    secret: SecretStr = Field(
        min_length=16, description="what sender and receiver both know, to sign with; at least 16 characters"
    )
    mode: Literal["structured", "binary"] = Field(
        "structured", description="structured puts the whole event into the body, binary its attributes into headers"
    )
    timeout: float = Field(10, gt=0, le=300, description="seconds to wait for the answer, in all")
    ca_file: Path | None = Field(
        None, description="PEM file of the authorities to trust; without one, those that the system trusts"
    )

    @field_validator("url")
    @classmethod
    def _a_url(cls, url: SecretStr) -> SecretStr:
        try:
            parts = httpx.URL(url.get_secret_value())
        except httpx.InvalidURL as error:
            raise ValueError("not a URL; is its port a number?") from error
        if parts.scheme not in {"http", "https"} or not parts.host:
            raise ValueError("a URL that begins with http:// or https:// and a host is needed")
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
        # Neither a login nor a token of the URL belongs into a message.
        self._where = f"The webhook at {url.scheme}://{url.netloc.decode()}"

    async def start(self) -> None:
        """Read the certificates to trust; raises DeliveryError. There is no lasting connection to make."""
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
        """Post one event, or several as a batch, and return once the receiver has said that it has them.

        Raises DeliveryError, with ``retry_after`` where the receiver asks for it, and DeliveryRefusedError.
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
            raise DeliveryError(f"{self._where} cannot be reached: {str(error) or type(error).__name__}") from error
        self._judge(response, answer)

    def _request(self, messages: Sequence[Message]) -> tuple[dict[str, str], bytes]:
        """Give headers and body."""
        if len(messages) > 1:
            return {"Content-Type": BATCH_TYPE}, b"[" + b",".join(map(as_json, messages)) + b"]"
        (message,) = messages
        if self._settings.mode == "structured":
            return {"Content-Type": MEDIA_TYPE}, as_json(message)
        attributes = envelope(message)
        data = attributes.pop("data")
        attributes["time"] = datetime.fromisoformat(attributes["time"])
        if message.late:
            attributes["late"] = "true"  # as CloudEvents writes a truth value in a header; str() would not
        try:
            made = to_binary_event(CloudEvent(attributes, data))
        except UnicodeEncodeError as error:
            raise DeliveryRefusedError(
                "A name with half a surrogate pair cannot stand in a header; use structured mode"
            ) from error
        return made.headers, made.body

    def _judge(self, response: httpx.Response, answer: str) -> None:
        status = response.status_code
        if response.is_success:
            return
        said = f"{self._where} answered {status} {httpx.codes.get_reason_phrase(status)}".rstrip()
        if response.has_redirect_location:
            where = plain(response.headers["Location"], 200)
            raise DeliveryRefusedError(f"{said}, and redirects are not followed: set url to {where} if that is meant")
        sentence = f"{said}: {answer}" if answer else said
        if status in PASSING or response.is_server_error:
            raise DeliveryError(sentence, self._retry_after(response.headers.get("Retry-After", "")))
        raise DeliveryRefusedError(sentence)

    def _retry_after(self, header: str) -> float | None:
        """Read how many seconds to wait: a number of them, or a date (RFC 9110, section 10.2.3)."""
        if header.isascii() and header.isdigit():
            return float(header)
        try:
            moment = parsedate_to_datetime(header)
        except ValueError:
            return None
        if moment.tzinfo is None:
            moment = moment.replace(tzinfo=UTC)
        return max(0.0, moment.timestamp() - self._clock())

    def _trust(self) -> ssl.SSLContext:
        try:
            return ssl.create_default_context(cafile=self._settings.ca_file)
        except OSError as error:
            raise DeliveryError(f"Cannot use the certificates in {self._settings.ca_file}: {error}") from error


async def _beginning(response: httpx.Response) -> str:
    """Read as much of the answer as a message can show."""
    read = b""
    async for chunk in response.aiter_raw():
        read += chunk
        if len(read) > ENOUGH_OF_AN_ANSWER:
            break
    return plain(read.decode(errors="replace").strip(), 200)
