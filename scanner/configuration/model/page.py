"""The table ``[page]``: where the page is served, and who reaches it."""

from __future__ import annotations

from ipaddress import IPv4Address
from pathlib import Path  # noqa: TC003 - pydantic reads the annotations
from typing import Annotated, Self

from pydantic import Field, IPvAnyAddress, model_validator

from scanner.wording.config_table import ConfigTable

HostName = Annotated[str, Field(pattern=r"^[a-z0-9]([a-z0-9.-]*[a-z0-9])?$")]


class Page(ConfigTable):
    """The page to look at: on loopback, unless it listens on another address, which needs a password and TLS."""

    port: int = Field(8470, ge=1, le=65_535, description="port of the page")
    listen: IPvAnyAddress = Field(
        default=IPv4Address("127.0.0.1"),
        description="address to listen on; any but loopback needs a password, and a certificate or a proxy",
    )
    names: tuple[HostName, ...] = Field(
        (),
        description="names by which browsers reach it, where the address is not its name, as desk.example",
    )
    password: Path | None = Field(None, description="file of its hashed password, as `closewatch page` writes it")
    certificate: Path | None = Field(None, description="file of its TLS certificate, in PEM")
    key: Path | None = Field(None, description="file of the key of that certificate, in PEM")
    behind_proxy: bool = Field(default=False, description="whether a proxy in front of it speaks TLS")

    @model_validator(mode="after")
    def _safe(self) -> Self:
        if (self.certificate is None) != (self.key is None):
            raise ValueError("certificate and key go together; give both or neither")
        if self.is_local and not self.behind_proxy:
            return self
        if self.password is None:
            raise ValueError("a page that others can reach needs a password; name its file with password")
        if self.certificate is None and not self.behind_proxy:
            raise ValueError(
                "a page that others can reach needs TLS; give certificate and key, or behind_proxy = true where a "
                "proxy speaks it"
            )
        return self

    @property
    def is_local(self) -> bool:
        """Whether only this machine can reach it."""
        return self.listen.is_loopback
