"""The settings that say how files are written."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field, model_validator

from adapters.feeds.files.times.formats import style_for
from adapters.feeds.files.trouble import ReadingOptions
from adapters.feeds.settings import FeedSettings
from scanner.wording.times import known_zone

Role = Literal["time", "open", "high", "low", "close", "volume", "symbol"]


class FileSettings(FeedSettings):
    """The settings of feeds that read files."""

    tz: Annotated[str, AfterValidator(known_zone)] = Field("UTC", description="the time zone of times that name none")
    stamp: Literal["open", "close"] = Field("open", description="whether the time of a bar is its open or its close")
    time_format: str | None = Field(
        None, description="how times are written, where the files do not make it clear, such as %d.%m.%Y %H:%M"
    )
    decimal: Literal[".", ","] | None = Field(
        None, description="the decimal mark, where the numbers do not make it clear: a point or a comma"
    )
    columns: dict[Role, str] = Field(
        default_factory=dict,
        description="the names of columns that are not found automatically, by their role, such as "
        '{ time = "When" }; an empty one for a column to leave out',
    )

    @model_validator(mode="after")
    def _times_can_be_read(self) -> Self:
        if self.time_format is not None:
            style_for(self.time_format)
        return self

    @property
    def reading(self) -> ReadingOptions:
        """Give them as options of the reader."""
        return ReadingOptions(self.tz, self.stamp, self.time_format, self.decimal, tuple(self.columns.items()))
