"""Settings of the sink ``mqtt``."""

from __future__ import annotations

from hashlib import sha256
from pathlib import Path  # noqa: TC003  # pydantic reads the annotations
from typing import Literal, Self

from pydantic import BaseModel, ConfigDict, Field, SecretStr, field_validator, model_validator

PLAIN_PORT, TLS_PORT = 1883, 8883


class MqttSettings(BaseModel):
    """Which broker, who we are to it, and below which topic the station speaks."""

    model_config = ConfigDict(frozen=True, extra="forbid", hide_input_in_errors=True)

    host: str = Field(min_length=1, description="host name or address of the broker")
    port: int | None = Field(None, ge=1, le=65_535, description="port; without one 1883, or 8883 with TLS")
    station: str = Field(min_length=1, description="name of this station; no two on one broker may share it")
    prefix: str = Field("closewatch", min_length=1, description="topic below which all stations speak")
    version: Literal["5.0", "3.1.1"] = Field("5.0", description="version of MQTT that the broker speaks")
    user: str | None = Field(None, description="user name to log in with")
    password: SecretStr | None = Field(None, description="password to log in with")
    tls: bool = Field(
        default=False, description="whether to speak TLS, as one should with any broker not on this machine"
    )
    ca_file: Path | None = Field(
        None, description="PEM file of the authorities to trust; without one, those that the system trusts"
    )
    client_cert: Path | None = Field(None, description="PEM file of the certificate to show to the broker")
    client_key: Path | None = Field(None, description="PEM file of its private key")
    client_key_password: SecretStr | None = Field(None, description="password of the private key, where it has one")
    client_id: str | None = Field(
        None,
        min_length=1,
        description="client id, where the broker insists on one; else it is made of the station's name",
    )
    keep_alive: int = Field(30, ge=5, le=65_535, description="seconds of silence after which the other side is asked")
    timeout: float = Field(10, gt=0, le=300, description="seconds to wait for an answer of the broker")
    largest: int = Field(
        262_144,
        ge=1_024,
        description="bytes of the largest packet to send, where the broker does not say by itself what it takes",
    )

    @field_validator("prefix")
    @classmethod
    def _a_topic(cls, prefix: str) -> str:
        if prefix.startswith("$") or not prefix.isprintable() or set("+#") & set(prefix):
            raise ValueError("a topic cannot start with $ nor hold +, # or control characters")
        if "" in prefix.split("/"):
            raise ValueError("neither end may be a slash, and no two slashes may stand together")
        return prefix

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if self.password is not None and self.user is None:
            raise ValueError("a password needs a user")
        if (self.client_cert is None) != (self.client_key is None):
            raise ValueError("client_cert and client_key go together")
        if not self.tls and (self.ca_file or self.client_cert):
            raise ValueError("ca_file and client_cert are for TLS: set tls = true")
        return self

    @property
    def address(self) -> tuple[str, int]:
        """Host and port."""
        return self.host, self.port or (TLS_PORT if self.tls else PLAIN_PORT)

    @property
    def identifier(self) -> str:
        """The client id: one that stays the same, so that a new connection replaces a dead one and its last will.

        At most 23 letters and digits: more no broker has to take (MQTT 3.1.1, 3.1.3.1).
        """
        if self.client_id is not None:
            return self.client_id
        return "cw" + sha256(f"{self.prefix}/{self.station}".encode(errors="surrogatepass")).hexdigest()[:21]
