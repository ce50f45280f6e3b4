"""Settings of the sink ``mqtt``."""

from __future__ import annotations

from hashlib import sha256
from typing import Self

from pydantic import Field, field_validator, model_validator

from adapters.mqtt_broker import BrokerSettings


class MqttSettings(BrokerSettings):
    """Which broker, who we are to it, and below which topic the station speaks."""

    station: str = Field(min_length=1, description="name of this station; no two on one broker may share it")
    prefix: str = Field("closewatch", min_length=1, description="topic below which all stations speak")
    client_id: str | None = Field(
        None,
        min_length=1,
        description="client id, where the broker insists on one; else it is made of the station's name",
    )
    timeout: float = Field(10, gt=0, le=300, description="seconds to wait for an answer of the broker")
    largest: int = Field(
        262_144,
        ge=1_024,
        description="bytes of the largest packet to send, where the broker does not say by itself what it takes",
    )

    decisions: bool = Field(
        default=False, description="whether to hear the user's decisions, from all whom the broker lets in"
    )

    @model_validator(mode="after")
    def _decisions_need_a_login(self) -> Self:
        if self.decisions and self.client_cert is None and not (self.user and self.password):
            raise ValueError(
                "decisions are only heard from a broker that asks for a login: give user and password, or client_cert "
                "and client_key, or take out decisions"
            )
        return self

    @field_validator("prefix")
    @classmethod
    def _a_topic(cls, prefix: str) -> str:
        if prefix.startswith("$") or not prefix.isprintable() or set("+#") & set(prefix):
            raise ValueError("a topic cannot start with $ nor hold +, # or control characters")
        if "" in prefix.split("/"):
            raise ValueError("neither end may be a slash, and no two slashes may stand together")
        return prefix

    @property
    def identifier(self) -> str:
        """The client id: one that stays the same, so that a new connection replaces a dead one and its last will.

        At most 23 letters and digits: more no broker has to take (MQTT 3.1.1, 3.1.3.1).
        """
        return self.client_id or self._made("cw")

    @property
    def hearing_identifier(self) -> str:
        """The client id of the connection over which decisions are heard."""
        return f"{self.client_id}-decisions" if self.client_id else self._made("cd")

    def _made(self, begin: str) -> str:
        return begin + sha256(f"{self.prefix}/{self.station}".encode(errors="surrogatepass")).hexdigest()[:21]
