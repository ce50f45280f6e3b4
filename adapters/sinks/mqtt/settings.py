"""Settings of the sink ``mqtt``."""

from __future__ import annotations

from hashlib import sha256
from typing import Self

from pydantic import Field, field_validator, model_validator

from adapters.mqtt_broker import BrokerSettings


class MqttSettings(BrokerSettings):
    """The broker, our identity there, and the topic below which the station publishes."""

    station: str = Field(min_length=1, description="name of this station; no two on one broker may share it")
    prefix: str = Field("closewatch", min_length=1, description="topic below which all stations publish")
    client_id: str | None = Field(
        None,
        min_length=1,
        description="client id, if the broker requires a certain one; by default made from the station's name",
    )
    timeout: float = Field(10, gt=0, le=300, description="seconds to wait for an answer of the broker")
    largest: int = Field(
        262_144,
        ge=1_024,
        description="bytes of the largest packet to send, if the broker does not state its limit",
    )

    decisions: bool = Field(
        default=False, description="whether to receive the user's decisions, from every client that the broker accepts"
    )

    @model_validator(mode="after")
    def _decisions_need_a_login(self) -> Self:
        if self.decisions and self.client_cert is None and not (self.user and self.password):
            raise ValueError(
                "decisions need a broker that requires a login: give user and password, or client_cert and client_key, "
                "or remove decisions"
            )
        return self

    @field_validator("prefix")
    @classmethod
    def _a_topic(cls, prefix: str) -> str:
        if prefix.startswith("$") or not prefix.isprintable() or set("+#") & set(prefix):
            raise ValueError("a topic cannot start with $ nor hold +, # or control characters")
        if "" in prefix.split("/"):
            raise ValueError("it must not start or end with a slash, or have two slashes in a row")
        return prefix

    @property
    def identifier(self) -> str:
        """The client id: one that stays the same, so that a new connection replaces a dead one and its last will.

        At most 23 letters and digits: no broker must accept more (MQTT 3.1.1, 3.1.3.1).
        """
        return self.client_id or self._made("cw")

    @property
    def hearing_identifier(self) -> str:
        """The client id of the connection that receives decisions."""
        return f"{self.client_id}-decisions" if self.client_id else self._made("cd")

    def _made(self, begin: str) -> str:
        return begin + sha256(f"{self.prefix}/{self.station}".encode(errors="surrogatepass")).hexdigest()[:21]
