"""The settings for following a setup to its end."""

from __future__ import annotations

from functools import cached_property
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from pydantic import ConfigDict, Field

from scanner.wording.config_table import ConfigTable

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from scanner.market.sessions.timetables import Timetable

MOST_BARS = 12
"""The most bars over which signs of pressure can be collected: as many as fit in one number."""


class Follow(ConfigTable):
    """The table ``[follow]``: how long to wait for an entry, what counts as pressure, and the user's choices.

    The choices are off at 0 or, the last one, at false.
    """

    model_config = ConfigDict(allow_inf_nan=False)

    which: Literal["all", "taken"] = Field(
        "all", description="setups that are followed with alerts: all, or those that were taken"
    )
    max_wait: int = Field(3, ge=1, description="bars after a setup within which its entry must come")
    pressure_signs: int = Field(2, ge=1, le=5, description="different signs of pressure that end a ride")
    pressure_within: int = Field(5, ge=1, le=MOST_BARS, description="bars within which they must come")
    pressure_line: float = Field(
        0.25,
        ge=0,
        description="how far a close may lie beyond the setup's trend line without counting as through it, in ATR",
    )
    drive_min: float = Field(
        1.0, ge=0, description="smallest body of a drive bar against the position, in usual bodies"
    )
    drive_solid: float = Field(0.5, ge=0, le=1, description="smallest body of that bar, as a part of its range")
    half_at: float = Field(
        0.0,
        ge=0,
        le=100,
        description="close half after a gain of this many R; a planned size is then an even number of lots",
    )
    to_entry_at: float = Field(0.0, ge=0, le=100, description="move the stop to the entry after a gain of this many R")
    max_bars: int = Field(0, ge=0, description="leave after this many bars in the position")
    flat_by_close: bool = Field(
        default=False, description="leave at the close of the session, for bars shorter than a day"
    )

    def is_flat_by_close(self, timetable: Timetable) -> bool:
        """Whether positions are left by the close of a session: only below a day, and where sessions are known."""
        return self.flat_by_close and timetable.timeframe.intraday and timetable.calendar.known

    @property
    def halves(self) -> bool:
        """Whether half of a position is to be closed before the rest."""
        return self.half_at > 0

    @cached_property
    def record(self) -> NDArray[Any]:
        """The settings for compiled code: an array of one record with the fields of the model."""
        values = self.model_dump(exclude={"which"})
        return np.array([tuple(values.values())], dtype=[(name, type(value)) for name, value in values.items()])
