"""The numbers by which a setup is followed to its end."""

from __future__ import annotations

from functools import cached_property
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

if TYPE_CHECKING:
    from numpy.typing import NDArray

MOST_BARS = 12
"""Bars over which signs of pressure can be gathered: as many as one number holds the signs of."""


class Follow(BaseModel):
    """The table ``[follow]``: how long an entry is waited for, what counts as pressure, and what the user chooses.

    The choices are off at 0 or false.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    which: Literal["all", "taken"] = Field("all", description="setups whose way is told: all, or those that were taken")
    max_wait: int = Field(3, ge=1, description="bars after a setup in which its entry must come")
    pressure_signs: int = Field(2, ge=1, le=5, description="different signs of pressure that end a ride")
    pressure_within: int = Field(5, ge=1, le=MOST_BARS, description="bars within which they must come")
    pressure_line: float = Field(
        0.25, ge=0, description="how far a close may lie beyond the setup's trend line without being one, in ATR"
    )
    drive_min: float = Field(1.0, ge=0, description="least body of a drive bar against the position, in usual bodies")
    drive_solid: float = Field(0.5, ge=0, le=1, description="least body of that bar, as a part of its range")
    half_at: float = Field(0.0, ge=0, le=100, description="leave with half once it has gained so many R")
    to_entry_at: float = Field(0.0, ge=0, le=100, description="move the stop to the entry once it has gained so many R")
    max_bars: int = Field(0, ge=0, description="leave after so many bars in the position")
    flat_by_close: bool = Field(default=False, description="leave at the close of the session, below a day")

    @cached_property
    def record(self) -> NDArray[Any]:
        """The numbers as compiled code reads them: an array of one record, whose fields are those of the model."""
        values = self.model_dump(exclude={"which"})
        return np.array([tuple(values.values())], dtype=[(name, type(value)) for name, value in values.items()])
