"""What every live feed may be told, whatever it asks or listens to."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict, Field


class FeedSettings(BaseModel):
    """The settings that all live feeds share; the service keeps to them, the feed need not know."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    requests_per_minute: float | None = Field(
        None, gt=0, description="How many times a minute the feed may be asked; without it, as often as needed."
    )
    at_once: int = Field(4, ge=1, description="How many requests to the feed may be under way at the same time.")
    patience: float = Field(
        120.0, ge=0, description="Seconds after the close of a bar until the feed is called late for not having it."
    )
    settle: float = Field(
        2.0, ge=0, description="Seconds between the close of a bar and the first time the feed is asked for it."
    )
    timeframes: dict[str, str] = Field(
        default_factory=dict, description="The feed's own names of timeframes, by ours; others have the same name."
    )

    def timeframe_there(self, name: str) -> str:
        """Give the feed's name of one of our timeframes."""
        return self.timeframes.get(name, name)
