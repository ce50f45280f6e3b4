"""Settings of the sink ``email``."""

from __future__ import annotations

from email.errors import NonASCIILocalPartDefect
from email.policy import SMTP
from pathlib import Path  # noqa: TC003 - pydantic reads the annotations
from typing import TYPE_CHECKING, Annotated, Literal, Self

from pydantic import AfterValidator, Field, SecretStr, model_validator

from adapters.sinks.settings import ReaderSettings

if TYPE_CHECKING:
    from email.headerregistry import Address

PORTS = {"starttls": 587, "tls": 465}


def address(text: str) -> Address:
    """Read one email address, with or without a name before it; ValueError shows the right form."""
    header = SMTP.header_factory("to", text)
    # A local part that is not ASCII is for the server to take or refuse.
    defects = [defect for defect in header.defects if not isinstance(defect, NonASCIILocalPartDefect)]
    found: tuple[Address, ...] = header.addresses
    if not text.isprintable() or defects or len(found) != 1 or not (found[0].username and found[0].domain):
        raise ValueError(
            f"{text[:80]!r} is not an email address; write one as alerts@example.org or Alerts <a@example.org>"
        )
    return found[0]


def _one_address(text: str) -> str:
    address(text)
    return text


MailAddress = Annotated[str, AfterValidator(_one_address)]


class EmailSettings(ReaderSettings):
    """The mail server, the login, the sender and the recipients. Nothing is ever sent unencrypted."""

    host: str = Field(pattern=r"^[!-~]+$", description="host name of the mail server, as in its certificate")
    port: int | None = Field(None, ge=1, le=65_535, description="port; by default 587, or 465 with tls")
    security: Literal["starttls", "tls"] = Field(
        "starttls", description="starttls starts unencrypted and then encrypts, tls is encrypted from the first byte"
    )
    ca_file: Path | None = Field(
        None, description="PEM file of the authorities to trust; by default those of the system"
    )
    user: str | None = Field(None, description="user name to log in with")
    password: SecretStr | None = Field(None, description="password to log in with")
    sender: MailAddress = Field(description="address of the sender")
    to: tuple[MailAddress, ...] = Field(min_length=1, description="addresses of the recipients")
    timeout: float = Field(30, gt=0, le=300, description="seconds to wait for each answer of the server")

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if (self.user is None) != (self.password is None):
            raise ValueError("give user and password together")
        return self
