"""A real mail server on loopback (aiosmtpd): encrypted, with a login, and with answers made up by the test."""

from __future__ import annotations

import asyncio
import ssl
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from email import message_from_bytes
from email.message import EmailMessage
from email.policy import default
from typing import TYPE_CHECKING

from aiosmtpd.smtp import SMTP, AuthResult, Envelope, LoginPassword, Session

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

    from tests.adapters.certificates import Certificates

USER, PASSWORD = "loft", "correct horse"
HOST = "127.0.0.1"


@dataclass(frozen=True)
class Letter:
    """What a client handed over."""

    sender: str
    recipients: list[str]
    content: bytes

    @property
    def mail(self) -> EmailMessage:
        """The letter as a mail program reads it."""
        mail = message_from_bytes(self.content, policy=default)
        assert isinstance(mail, EmailMessage)
        return mail


@dataclass
class MailServer:
    """Takes letters; each list of answers is used up first, from its beginning, and then all is well again."""

    port: int = 0
    letters: list[Letter] = field(default_factory=list)
    to_data: list[str] = field(default_factory=list)
    to_login: list[str] = field(default_factory=list)
    to_recipient: dict[str, list[str]] = field(default_factory=dict)
    to_sender: list[str] = field(default_factory=list)
    logins: int = 0
    hanging: asyncio.Event | None = None
    """With one, it sets this when it is handed a letter, and then answers no more."""

    # The names of these methods are the library's.
    async def handle_MAIL(  # noqa: N802 - the library calls it so
        self, _: SMTP, __: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        if self.to_sender:
            return self.to_sender.pop(0)
        envelope.mail_from, envelope.mail_options = address, options
        return "250 OK"

    async def handle_RCPT(  # noqa: N802 - the library calls it so
        self, _: SMTP, __: Session, envelope: Envelope, address: str, ___: list[str]
    ) -> str:
        if self.to_recipient.get(address):
            return self.to_recipient[address].pop(0)
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, _: SMTP, session: Session, envelope: Envelope) -> str:  # noqa: N802 - the library calls it so
        assert session.authenticated, "a letter without a login"
        if self.hanging:
            self.hanging.set()
            await asyncio.get_running_loop().create_future()
        if self.to_data:
            return self.to_data.pop(0)
        assert envelope.mail_from
        assert isinstance(envelope.content, bytes)
        self.letters.append(Letter(envelope.mail_from, envelope.rcpt_tos, envelope.content))
        return "250 taken"

    def log_in(self, _: SMTP, __: Session, ___: Envelope, ____: str, data: LoginPassword) -> AuthResult:
        self.logins += 1
        if self.to_login:
            return AuthResult(success=False, handled=False, message=self.to_login.pop(0))
        right = (data.login, data.password) == (USER.encode(), PASSWORD.encode())
        return AuthResult(success=right, handled=False)


@asynccontextmanager
async def mail_server(
    certificates: Certificates, *, tls: bool = False, starttls: bool = True
) -> AsyncIterator[MailServer]:
    """Run a server on a free port: encrypted by STARTTLS, or from the first byte with ``tls``."""
    server = MailServer()
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    context.load_cert_chain(certificates.server, certificates.server_key)
    loop = asyncio.get_running_loop()

    def session() -> SMTP:
        return SMTP(
            server,
            hostname="mail.invented.example",
            tls_context=context if starttls and not tls else None,
            require_starttls=starttls and not tls,
            auth_required=not tls,  # the library knows no TLS but its own; a letter without a login is seen to above
            auth_require_tls=not tls,
            authenticator=server.log_in,
            loop=loop,
        )

    listening = await loop.create_server(session, HOST, 0, ssl=context if tls else None)
    server.port = listening.sockets[0].getsockname()[1]
    try:
        yield server
    finally:
        listening.close()
        await listening.wait_closed()
