"""The sink ``email``: each alert is a letter, sent through the user's own mail server."""

from __future__ import annotations

import asyncio
import contextlib
import ssl
import time
from types import MappingProxyType
from typing import TYPE_CHECKING

import aiosmtplib

from adapters.sinks.email_letter import letter
from adapters.sinks.email_settings import PORTS, EmailSettings, address
from scanner.ports import DeliveryError, DeliveryRefusedError
from scanner.present.text import plain
from scanner.present.words import say

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable, Mapping, Sequence

    from scanner.ports import Message

LOGIN_CODES = {530, 534, 535, 538}
"""Answers that speak of the login (RFC 4954) and not of the letter, whatever command they answer."""
PERMANENT = 500
OURSELVES = "[127.0.0.1]"
"""What we call ourselves to the server: a name of this machine would have to be looked up, and tells who we are."""


class EmailSink:
    """Sends each message as one letter to all recipients; a digest is one letter too.

    A recipient whom the server took the letter for is not sent it again when it is tried again for the others, as
    long as this sink lives.
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
    ) -> None:
        self._settings = settings
        self._sender = address(settings.sender)
        self._recipients = {each.addr_spec: each for each in map(address, settings.to)}
        self._exchange_zones = exchange_zones
        self._clock = clock
        self._tls: ssl.SSLContext | None = None
        self._taken: dict[str, frozenset[str]] = {}  # by letter: who has it, while others have not

    async def start(self) -> None:
        """See whether the server lets us in; raises DeliveryError."""
        async with self._connected():
            pass

    async def stop(self) -> None:
        """Nothing is held between two deliveries."""

    async def deliver(self, messages: Sequence[Message]) -> None:
        """Send one letter and return once the server has taken it for every recipient.

        Raises DeliveryRefusedError when the server refuses the letter or a recipient for good, else DeliveryError.
        """
        words = say(messages, self._settings.zone, self._exchange_zones)
        mail = letter(messages, words, self._sender, list(self._recipients.values()), self._clock())
        name = str(mail["Message-ID"])
        taken = self._taken.get(name, frozenset())
        wanted = [each for each in self._recipients if each not in taken]
        async with self._connected() as client:
            try:
                refused, _ = await client.send_message(mail, sender=self._sender.addr_spec, recipients=wanted)
            except aiosmtplib.SMTPRecipientsRefused as error:
                refused = {
                    each.recipient: aiosmtplib.SMTPResponse(each.code, each.message) for each in error.recipients
                }
        self._taken.pop(name, None)
        if not refused:
            return
        told = "; ".join(f"{who}: {_told(answer.code, answer.message)}" for who, answer in refused.items())
        sentence = f"{self._server} does not take the letter for {len(refused)} of {len(self._recipients)}: {told}"
        if all(_permanent(answer.code) for answer in refused.values()):
            raise DeliveryRefusedError(sentence)
        self._taken[name] = taken | (set(wanted) - set(refused))
        raise DeliveryError(sentence)

    @property
    def _server(self) -> str:
        port = self._settings.port or PORTS[self._settings.security]
        return f"The mail server {self._settings.host}:{port}"

    @contextlib.asynccontextmanager
    async def _connected(self) -> AsyncIterator[aiosmtplib.SMTP]:
        """Connect, encrypt, log in, and hang up in the end; troubles on the way become delivery errors."""
        settings = self._settings
        client = aiosmtplib.SMTP(
            hostname=settings.host,
            port=settings.port or PORTS[settings.security],
            local_hostname=OURSELVES,
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
        """Put what went wrong into a sentence, and say whether another try can help.

        Only an answer about this letter is final. What is wrong with the connection or the login is wrong with all
        letters, and can be put right while they wait.
        """
        if isinstance(error, aiosmtplib.SMTPAuthenticationError):
            return DeliveryError(
                f"{self._server} does not let {plain(self._settings.user or '', 60)} in "
                f"({_told(error.code, error.message)}); check the user and the password"
            )
        if isinstance(error, aiosmtplib.SMTPSenderRefused | aiosmtplib.SMTPDataError):
            sentence = f"{self._server} does not take the letter: {_told(error.code, error.message)}"
            return (DeliveryRefusedError if _permanent(error.code) else DeliveryError)(sentence)
        if isinstance(error, aiosmtplib.SMTPResponseException):
            return DeliveryError(f"{self._server} does not serve us: {_told(error.code, error.message)}")
        for cause in (error, error.__cause__):
            if isinstance(cause, ssl.SSLCertVerificationError):
                return DeliveryError(
                    f"{self._server} has a certificate that is not trusted: {cause.verify_message}; "
                    "where the authority is your own, give its ca_file"
                )
        return DeliveryError(f"{self._server} cannot be reached or broke off: {plain(str(error), 200)}")


def _permanent(code: int) -> bool:
    return code >= PERMANENT and code not in LOGIN_CODES


def _told(code: int, message: str) -> str:
    return f"{code} {plain(' '.join(message.split()), 160)}"
