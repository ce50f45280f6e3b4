"""The settings of every live feed."""

from __future__ import annotations

from pydantic import Field

from scanner.ports import FeedLimits
from scanner.wording.config_table import ConfigTable


class FeedSettings(ConfigTable):
    """The settings that all live feeds share; the service applies them, the feed need not."""

    requests_per_minute: float | None = Field(
        None, gt=0, description="requests per minute that the feed allows; by default as many as needed"
    )
    at_once: int = Field(4, ge=1, description="requests to the feed that may be under way at the same time")
    patience: float = Field(
        120.0, ge=0, description="seconds to wait for a bar after its close before the feed is reported late"
    )
    settle: float = Field(2.0, ge=0, description="seconds between the close of a bar and the first request for it")
    timeframes: dict[str, str] = Field(
        default_factory=dict, description="the feed's own names of timeframes, by ours; others have the same name"
    )

    @property
    def limits(self) -> FeedLimits:
        """How the feed wants to be asked."""
        return FeedLimits(self.settle, self.patience, self.at_once, self.requests_per_minute)

    def timeframe_there(self, name: str) -> str:
        """Give the feed's name of one of our timeframes."""
        return self.timeframes.get(name, name)
