"""The settings of every sink whose messages are read by people."""

from __future__ import annotations

from typing import Annotated

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from scanner.wording.times import known_zone


class ReaderSettings(BaseModel):
    """The settings that all of these sinks share; by default the zone is that of the station."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    zone: Annotated[str, AfterValidator(known_zone)] = Field("UTC", description="time zone of the reader")
