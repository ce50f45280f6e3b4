"""Every number of the common rules, with its default; compiled code reads them from one small record."""

from __future__ import annotations

from functools import cached_property
from typing import TYPE_CHECKING, Any, Literal, Self, get_args

import numpy as np
from pydantic import Field, model_validator

from scanner.wording.config_table import ConfigTable

if TYPE_CHECKING:
    from numpy.typing import NDArray

TIE = 1e-12
"""Two prices, or differences of prices, closer than this fraction of the price are equal.

Prices and rules are decimal; binary rounding must not decide a tie.
"""


BARS_OF_A_SETUP = 3


class Rules(ConfigTable):
    """The numbers of the rules. All lengths are in bars, all ranges in multiples of ATR unless said otherwise."""

    warm_up: int = Field(250, ge=1, description="bars a series needs before a setup may be reported")
    fast_average: int = Field(50, ge=2, description="length of the fast simple average")
    slow_average: int = Field(200, ge=2, description="length of the slow simple average")
    macd_fast: int = Field(12, ge=1, description="length of the fast exponential average of the MACD line")
    macd_slow: int = Field(26, ge=2, description="length of the slow exponential average of the MACD line")
    macd_signal: int = Field(9, ge=1, description="length of the signal line")
    atr_length: int = Field(14, ge=1, description="length of Wilder's average true range")
    exponential_average: int = Field(20, ge=1, description="length of the exponential average that setups read")
    volatility_length: int = Field(100, ge=1, description="bars with whose mean ATR the latest is compared")
    usual_body_length: int = Field(14, ge=1, description="bars whose mean body is the usual body")
    swing_strength: int = Field(3, ge=1, description="bars on each side that make a swing point")

    pullback_window: int = Field(10, ge=1, description="bars searched for the end of the pullback")
    place_quality: Literal["strict", "plain"] = Field(
        "strict", description="how places are read: strict, as a chart reader would, or plain, for comparison"
    )
    place_tolerance: float = Field(0.35, ge=0, description="greatest distance to a place, in ATR")
    plain_tolerance: float = Field(0.5, ge=0, description="plain reading: greatest distance to a place, in ATR")
    place_span: int = Field(120, ge=10, description="bars searched for swing points")
    place_reach: float = Field(2.0, ge=0, description="how far the stop's base may lie from the place, in ATR")

    line_gap: int = Field(10, ge=1, description="least distance between the two swing points of a line")
    plain_line_gap: int = Field(5, ge=1, description="plain reading: least distance between them")
    line_tolerance: float = Field(0.25, ge=0, description="how far a line may be missed, or pierced by a close, in ATR")
    line_depth: float = Field(0.5, ge=0, description="how far a low may lie below a line, in ATR")
    line_last_gap: int = Field(5, ge=1, description="least distance from a line's second point to the pullback's end")
    line_slope_min: float = Field(0.03, ge=0, description="least slope of a line, in ATR a bar")
    line_slope_max: float = Field(0.35, ge=0, description="greatest slope of a line, in ATR a bar")
    line_touches: int = Field(3, ge=2, description="touches that a line needs")
    line_long: int = Field(20, ge=1, description="distance between its two points that makes up for fewer touches")
    line_away: float = Field(
        1.5, ge=0, description="how far price must have risen from a line before it came back, in ATR"
    )

    average_rise: int = Field(10, ge=1, description="bars over which an average must have risen")
    fast_average_rise: float = Field(0.25, ge=0, description="least rise of the fast average over these bars, in ATR")
    slow_average_rise: float = Field(0.1, ge=0, description="least rise of the slow average over these bars, in ATR")
    average_away: float = Field(2.0, ge=0, description="how far price must have been above an average, in ATR")
    average_away_bars: int = Field(20, ge=1, description="bars before the pullback's end in which it must have been")

    level_gap: int = Field(10, ge=0, description="least distance between a level's first and last swing point")
    level_last_gap: int = Field(5, ge=1, description="least distance from a level's points to the pullback's end")
    level_away: float = Field(2.0, ge=0, description="how far price must have left a level before it came back, in ATR")

    turn_window: int = Field(60, ge=2, description="bars whose extreme a turn must be")
    plain_turn_window: int = Field(40, ge=2, description="plain reading: bars whose extreme a turn must be")
    turn_depth: float = Field(5.0, ge=0, description="least decline before a turn, in ATR")
    plain_turn_depth: float = Field(3.0, ge=0, description="plain reading: least decline before a turn, in ATR")

    obstacle_strength: int = Field(6, ge=1, description="bars on each side that make a swing point an obstacle")
    obstacle_span: int = Field(250, ge=1, description="bars searched for obstacles")

    volume_length: int = Field(20, ge=1, description="evidence: bars over which the volume is averaged")

    gap_limit: float = Field(
        0.5, ge=0, description="an open further beyond the close or the trigger voids the entry, in ATR"
    )
    stop_margin: float = Field(0.05, ge=0, description="distance of the stop from its base, in ATR")
    stop_far: float = Field(2.0, gt=0, description="a low further than this from the close is not a stop base, in ATR")
    entry_style: Literal["early", "break", "average"] = Field("break", description="the entry that is followed")
    hold_atr: float = Field(5.0, gt=0, description="an open this far from the last close may be a split, in ATR")
    spike_atr: float = Field(
        10.0, gt=0, description="a bar that reaches further beyond the bars before it may be a bad tick, in ATR"
    )
    drop_spikes: bool = Field(default=False, description="refuse the row of such a bar, instead of noting it")

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.fast_average >= self.slow_average:
            raise ValueError(
                f"fast_average ({self.fast_average}) must be shorter than slow_average ({self.slow_average})"
            )
        if self.swing_strength > self.obstacle_strength:
            raise ValueError(
                f"swing_strength ({self.swing_strength}) must not exceed obstacle_strength ({self.obstacle_strength})"
            )
        if self.line_slope_min > self.line_slope_max:
            raise ValueError(
                f"line_slope_min ({self.line_slope_min:g}) must not exceed line_slope_max ({self.line_slope_max:g})"
            )
        if self.macd_fast >= self.macd_slow:
            raise ValueError(f"macd_fast ({self.macd_fast}) must be shorter than macd_slow ({self.macd_slow})")
        ready = max(
            self.slow_average,
            self.macd_slow + self.macd_signal,
            self.exponential_average,
            self.usual_body_length + BARS_OF_A_SETUP,
            self.atr_length + BARS_OF_A_SETUP,
        )
        if self.warm_up < ready:
            raise ValueError(f"warm_up ({self.warm_up}) must be at least {ready}, when the last indicator is ready")
        return self

    @cached_property
    def looks_back(self) -> int:
        """How many bars before t the places and the common evidence read averages and volumes of."""
        return max(self.pullback_window - 1 + self.average_away_bars, self.average_rise, self.volume_length - 1)

    @cached_property
    def history(self) -> int:
        """How many closed bars before the next one the rules can look back at."""
        return 1 + max(
            self.slow_average + self.looks_back,
            self.place_span + self.swing_strength,
            self.obstacle_span + self.obstacle_strength,
            self.volatility_length,
            self.turn_window,
            self.plain_turn_window,
            self.usual_body_length + BARS_OF_A_SETUP,
        )

    @cached_property
    def record(self) -> NDArray[Any]:
        """The numbers as the compiled code reads them: an array of one RULES record.

        A text becomes its place among the choices, from 0 on.
        """
        values = (
            get_args(about.annotation).index(value) if isinstance(value := getattr(self, name), str) else value
            for name, about in type(self).model_fields.items()
        )
        return np.array([tuple(values)], dtype=RULES)


RULES = np.dtype(
    [(name, np.float64 if about.annotation is float else np.int64) for name, about in Rules.model_fields.items()],
)
"""The record of numbers that the compiled code reads; its fields are those of Rules."""

STRICT = 0
"""The strict reading of places, as the compiled code reads the choice."""
