"""The settings of every sink whose messages are read by people."""

from __future__ import annotations

from typing import Annotated

from pydantic import AfterValidator, Field

from scanner.wording.config_table import ConfigTable
from scanner.wording.times import known_zone


class ReaderSettings(ConfigTable):
    """The settings that all of these sinks share; by default the zone is that of the station."""

    zone: Annotated[str, AfterValidator(known_zone)] = Field("UTC", description="time zone of the reader")
