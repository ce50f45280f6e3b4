"""Every number of the rules, with its default; the compiled code reads them from one small record."""

from __future__ import annotations

from functools import cached_property
from typing import TYPE_CHECKING, Any, Literal, Self

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, model_validator

if TYPE_CHECKING:
    from numpy.typing import NDArray

TIE = 1e-12
"""Two prices, or differences of prices, closer than this fraction of the price are equal.

Prices are decimals and the rules are about decimals; binary rounding must not decide a tie.
"""


BARS_OF_A_SETUP = 3


class Rules(BaseModel):
    """The numbers of the rules. All lengths are in bars, all ranges in multiples of ATR unless said otherwise."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    warm_up: int = Field(250, ge=1, description="bars a series needs before a setup may be reported")
    fast_average: int = Field(50, ge=2, description="length of the fast simple average")
    slow_average: int = Field(200, ge=2, description="length of the slow simple average")
    macd_fast: int = Field(12, ge=1, description="length of the fast exponential average of the MACD line")
    macd_slow: int = Field(26, ge=2, description="length of the slow exponential average of the MACD line")
    macd_signal: int = Field(9, ge=1, description="length of the signal line")
    atr_length: int = Field(14, ge=1, description="length of Wilder's average true range")
    usual_body_length: int = Field(14, ge=1, description="bars over which the usual body is the mean")
    swing_strength: int = Field(3, ge=1, description="bars on each side that make a swing point")

    drive_min: float = Field(1.0, ge=0, description="least body of the first drive, in usual bodies")
    drive_max_atr: float = Field(3.0, gt=0, description="greatest range of the first drive, in ATR")
    solid: float = Field(0.5, ge=0, le=1, description="least body of a drive, as a part of its range")
    doji_body: float = Field(0.10, ge=0, le=1, description="greatest body of the doji, as a part of its range")
    doji_body_of_drive: float = Field(0.05, ge=0, description="or as a part of the first drive's body")
    doji_range: float = Field(0.75, gt=0, description="greatest range of the doji, as a part of the first drive's")
    alike: float = Field(1.75, ge=1, description="greatest ratio between the two drives' bodies")
    cross_window: int = Field(10, ge=0, description="bars for which a cross of the MACD line stays fresh")

    pullback_window: int = Field(10, ge=1, description="bars searched for the end of the pullback")
    place_tolerance: float = Field(0.5, ge=0, description="greatest distance to a place, in ATR")
    place_span: int = Field(120, ge=10, description="bars searched for swing points")
    line_gap: int = Field(5, ge=1, description="least distance between the two swing points of a line")
    line_tolerance: float = Field(0.25, ge=0, description="how far a line may be missed or pierced, in ATR")
    average_rise: int = Field(10, ge=1, description="bars over which an average must have risen")
    turn_window: int = Field(40, ge=2, description="bars whose extreme a turn must be")
    turn_depth: float = Field(3.0, ge=0, description="least decline before a turn, in ATR")

    doji_tight: float = Field(0.35, ge=0, description="evidence: doji's range as a part of the first drive's")
    volume_length: int = Field(20, ge=1, description="evidence: bars over which the volume is averaged")

    gap_limit: float = Field(0.5, ge=0, description="an open further beyond the close voids the early entry, in ATR")
    stop_margin: float = Field(0.05, ge=0, description="distance of the stop from its base, in ATR")
    stop_far: float = Field(2.0, gt=0, description="a low further than this from the close is no stop base, in ATR")
    entry_style: Literal["early", "break", "average"] = Field("break", description="the entry that is followed")
    hold_atr: float = Field(5.0, gt=0, description="an open this far from the last close may be a split, in ATR")

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.fast_average >= self.slow_average:
            raise ValueError(
                f"fast_average ({self.fast_average}) must be shorter than slow_average ({self.slow_average})"
            )
        if self.macd_fast >= self.macd_slow:
            raise ValueError(f"macd_fast ({self.macd_fast}) must be shorter than macd_slow ({self.macd_slow})")
        ready = max(self.slow_average, self.macd_slow + self.macd_signal, self.usual_body_length + BARS_OF_A_SETUP)
        if self.warm_up < ready:
            raise ValueError(f"warm_up ({self.warm_up}) must be at least {ready}, when the last indicator is ready")
        return self

    @cached_property
    def history(self) -> int:
        """How many closed bars before the next one the rules can look back at."""
        return 1 + max(
            self.slow_average,
            self.place_span + self.swing_strength,
            self.pullback_window + self.average_rise,
            self.turn_window,
            self.volume_length,
            self.usual_body_length + BARS_OF_A_SETUP,
        )

    @cached_property
    def record(self) -> NDArray[Any]:
        """The numbers as the compiled code reads them: an array of one RULES record."""
        names = RULES.names or ()
        return np.array([tuple(getattr(self, name) for name in names)], dtype=RULES)


_TYPES: dict[Any, type] = {"int": np.int64, "float": np.float64}
RULES = np.dtype(
    [(name, _TYPES[str(kind)]) for name, kind in Rules.__annotations__.items() if str(kind) in _TYPES],
)
"""The record of numbers that the compiled code reads; its fields are those of Rules."""
