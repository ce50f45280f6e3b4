"""The sink ``email``: each alert is an email, sent through the user's own mail server.

A refusal is final if the server's enhanced code is about the email itself, or if a recipient is permanently refused
while others have received it: waiting would hold up the next emails for them. All else, such as a refused sender, the
refusal of every recipient, or a policy against us, can be corrected while the email waits.
"""

from __future__ import annotations

import asyncio
import contextlib
import re
import ssl
import time
from types import MappingProxyType
from typing import TYPE_CHECKING

import aiosmtplib

from adapters.answers import hidden
from adapters.sinks.email.letter import letter
from adapters.sinks.email.settings import PORTS, EmailSettings, address
from adapters.sinks.receivers import Receivers
from scanner.ports import DeliveryError, DeliveryRefusedError, PartlyDeliveredError
from scanner.present.words.words import say
from scanner.wording.text import plain

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable, Mapping, Sequence

    from scanner.ports import Message

LOGIN_CODES = {530, 534, 535, 538}
"""Answers about the login (RFC 4954), not the email, whatever command they answer."""
PERMANENT = 500
ENHANCED = re.compile(r"[245]\.\d{1,3}\.\d{1,3}(?= |$)")
OF_THE_LETTER = re.compile(r"5\.(6\.\d+|3\.4|2\.3)")
"""Codes about its content, or its size for the server or for a mailbox (RFC 3463, sections 3.7, 3.4 and 3.3)."""
OUR_NAME = "[127.0.0.1]"
"""Our name at the server: this machine's own name would need a look-up, and would identify it."""


class EmailSink:
    """Sends each message as one email to all recipients; a digest is one email too.

    A recipient who has received an alert does not get it again when it is retried for the others, as long as this sink
    lives, unless in a digest with something new.
    """

    Settings = EmailSettings
    wants_pictures = True
    digests = True
    at_once = 1

    def __init__(
        self,
        settings: EmailSettings,
        *,
        exchange_zones: Mapping[str, str] = MappingProxyType({}),
        clock: Callable[[], float] = time.time,
        show_body: bool = False,
    ) -> None:
        """Take the settings; ``show_body`` shows what the server writes, which may contain the password."""
        self._settings = settings
        self._shows = show_body or settings.password is None
        self._sender = address(settings.sender)
        self._recipients = {each.addr_spec: each for each in map(address, settings.to)}
        self._exchange_zones = exchange_zones
        self._clock = clock
        self._tls: ssl.SSLContext | None = None
        self._receivers = Receivers(self._recipients)

    async def start(self) -> None:
        """Check that the server accepts our login; raises DeliveryError."""
        async with self._connected():
            pass

    async def stop(self) -> None:
        """Nothing is held between two deliveries."""

    async def deliver(self, messages: Sequence[Message]) -> None:
        """Send one email and return once the server has accepted it for every recipient.

        Raises DeliveryRefusedError if the server will never accept the email, or some of its recipients,
        PartlyDeliveredError if it did not accept some of them this time, else DeliveryError.
        """
        wanted = self._receivers.lacking(messages)
        refused = await self._send(messages, wanted) if wanted else {}
        self._receivers.note(messages, set(wanted) - set(refused))
        if not refused:
            return
        answers = "; ".join(f"{who}: {self._shown(answer.code, answer.message)}" for who, answer in refused.items())
        sentence = f"{self._server} does not accept the email for {len(refused)} of {len(self._recipients)}: {answers}"
        others_have_it = len(refused) < len(self._recipients)
        if all(
            _of_the_letter(answer.code, answer.message) or (others_have_it and _permanent(answer.code))
            for answer in refused.values()
        ):
            raise DeliveryRefusedError(sentence)
        raise (PartlyDeliveredError if others_have_it else DeliveryError)(sentence)

    async def _send(self, messages: Sequence[Message], wanted: Sequence[str]) -> dict[str, aiosmtplib.SMTPResponse]:
        """Send one email to some recipients; return those refused, each with the server's answer."""
        words = say(messages, self._settings.zone, self._exchange_zones)
        mail = letter(
            messages, words, self._settings.zone, self._sender, list(self._recipients.values()), self._clock()
        )
        async with self._connected() as client:
            try:
                refused, _ = await client.send_message(mail, sender=self._sender.addr_spec, recipients=wanted)
            except aiosmtplib.SMTPRecipientsRefused as error:
                return {each.recipient: aiosmtplib.SMTPResponse(each.code, each.message) for each in error.recipients}
        return refused

    @property
    def _server(self) -> str:
        port = self._settings.port or PORTS[self._settings.security]
        return f"The mail server {self._settings.host}:{port}"

    @contextlib.asynccontextmanager
    async def _connected(self) -> AsyncIterator[aiosmtplib.SMTP]:
        """Connect, encrypt, log in, and disconnect at the end; failures become delivery errors."""
        settings = self._settings
        client = aiosmtplib.SMTP(
            hostname=settings.host,
            port=settings.port or PORTS[settings.security],
            local_hostname=OUR_NAME,
            use_tls=settings.security == "tls",
            start_tls=settings.security == "starttls",
            tls_context=await self._trust(),
            username=settings.user,
            password=settings.password.get_secret_value() if settings.password else None,
            timeout=settings.timeout,
        )
        try:
            await client.connect()
            yield client
            with contextlib.suppress(aiosmtplib.SMTPException, OSError):
                await client.quit()
        except (aiosmtplib.SMTPException, OSError) as error:
            raise self._trouble(error) from error
        finally:
            client.close()

    async def _trust(self) -> ssl.SSLContext:
        if self._tls is None:
            ca_file = self._settings.ca_file
            try:
                self._tls = await asyncio.to_thread(ssl.create_default_context, cafile=ca_file)
            except OSError as error:
                raise DeliveryError(f"Cannot read certificates from {ca_file}: {error.strerror or error}") from error
        return self._tls

    def _trouble(self, error: Exception) -> DeliveryError:
        """Turn an error into a sentence, and say whether another try can help."""
        if isinstance(error, aiosmtplib.SMTPAuthenticationError):
            return DeliveryError(
                f"{self._server} does not accept the login of {plain(self._settings.user or '')} "
                f"({self._shown(error.code, error.message)}); check the user and the password"
            )
        if isinstance(error, aiosmtplib.SMTPSenderRefused | aiosmtplib.SMTPDataError):
            sentence = f"{self._server} does not accept the email: {self._shown(error.code, error.message)}"
            return (DeliveryRefusedError if _of_the_letter(error.code, error.message) else DeliveryError)(sentence)
        if isinstance(error, aiosmtplib.SMTPResponseException):
            return DeliveryError(f"{self._server} refuses service: {self._shown(error.code, error.message)}")
        for cause in (error, error.__cause__):
            if isinstance(cause, ssl.SSLCertVerificationError):
                return DeliveryError(
                    f"{self._server} has a certificate that is not trusted: {cause.verify_message}; "
                    "if the authority is your own, give its ca_file"
                )
        return DeliveryError(f"{self._server} cannot be reached or broke the connection: {plain(str(error), 200)}")

    def _shown(self, code: int, message: str) -> str:
        """Give an answer as far as it may be shown: its codes, and its text if it cannot contain a password."""
        text = " ".join(message.split())
        if self._shows:
            return f"{code} {plain(text, 160)}"
        enhanced = ENHANCED.match(text)
        return " ".join(filter(None, (str(code), enhanced and enhanced[0], hidden(text))))


def _permanent(code: int) -> bool:
    return code >= PERMANENT and code not in LOGIN_CODES


def _of_the_letter(code: int, message: str) -> bool:
    return code >= PERMANENT and OF_THE_LETTER.match(message) is not None
