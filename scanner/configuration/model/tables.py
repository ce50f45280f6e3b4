"""The tables of a configuration, each as a model with the meaning of its settings."""

# ruff: noqa: TC001 - pydantic reads the annotations

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, Field, model_validator

from scanner.configuration.model.values import (
    CalendarName,
    Currency,
    Day,
    Expense,
    PositiveDecimal,
    Ratio,
    Step,
    TimeframeName,
    TimeOfDay,
    Zone,
)
from scanner.events import Kind
from scanner.wording.config_table import ConfigTable


def _a_file(path: Path) -> Path:
    if not path.name:
        raise ValueError('must be the path of a file, such as "closewatch.db"')
    return path


class StationSettings(ConfigTable):
    """The running watcher itself."""

    name: str = Field("station", min_length=1, description="the station's name in events and topics")
    zone: Zone = Field("UTC", description="the user's time zone, for displayed times")
    store: Annotated[Path, AfterValidator(_a_file)] = Field(
        Path("closewatch.db"), description="the database; relative to the configuration's folder"
    )
    secrets: Path | None = Field(None, description="the secrets folder, with files such as sinks.mail.password")
    stale_after: int = Field(3, ge=0, description="bars after which a setup found while catching up is not news")
    record: bool = Field(default=True, description="keep everything the feeds send, so that any day can be replayed")
    keep_bars: int = Field(20_000, ge=500, description="bars kept for each series")
    keep_days: int = Field(
        400, ge=1, description="days for which events and recordings are kept; a story counts from its end"
    )
    summary_at: TimeOfDay | None = Field(None, description="time of day of the «still watching» summary, in the zone")
    health_port: int | None = Field(None, ge=1, le=65_535, description="port on loopback for metrics and health")


class Split(ConfigTable):
    """A known split: from the date on, 2 new shares replace 1 old if the ratio is ``2:1``."""

    date: Day = Field(description="the first day (or moment) at the new price")
    ratio: Ratio = Field(description="new:old shares")


def _each_once(splits: tuple[Split, ...]) -> tuple[Split, ...]:
    twice = [date for date, count in Counter(split.date for split in splits).items() if count > 1]
    if twice:
        raise ValueError(f"there are two splits of {twice[0]}; both would count; write one ratio")
    return splits


class CostSettings(ConfigTable):
    """Costs of a trade, each a price ("0.02"), per cent of the price ("0.05 %"), or money for one unit ("1.50 EUR")."""

    spread: Expense | None = Field(None, description="distance from bid to ask; entry and exit together cost it once")
    commission: Expense | None = Field(None, description="commission of each way, paid twice")
    slippage: Expense | None = Field(None, description="how much worse than planned entry and exit together are filled")


class InstrumentSettings(ConfigTable):
    """The settings of an instrument; missing ones come from its group, then from the defaults."""

    group: str | None = Field(None, description="the group whose settings it shares")
    symbol: str | None = Field(None, description="the feed's name for it, if different")
    feed: str | None = Field(None, description="the feed that delivers its bars")
    calendar: CalendarName | None = Field(
        None, description="its sessions: none, 24/7, 24/5 or an exchange code such as XNYS"
    )
    zone: Zone | None = Field(None, description="the zone in which a day of none and 24/7 starts")
    timeframes: tuple[TimeframeName, ...] | None = Field(None, min_length=1, description="the timeframes to watch")
    base: TimeframeName | None = Field(
        None, description="the timeframe requested from the feed; the finest watched one by default"
    )
    step: Step | None = Field(None, description="price step: a number, us_shares, or eu_shares:TRADES_A_DAY")
    point_value: PositiveDecimal | None = Field(None, description="money for one point of price and one unit")
    lot_step: PositiveDecimal | None = Field(None, description="smallest size, and step of sizes")
    currency: Currency | None = Field(None, description="currency of its prices, ISO 4217")
    costs: CostSettings = Field(default_factory=CostSettings, description="what a trade costs")
    adjustments: Annotated[tuple[Split, ...], AfterValidator(_each_once)] | None = Field(
        None, description="known splits of bars that are not adjusted"
    )
    setups: dict[str, dict[str, Any]] = Field(
        default_factory=dict, description="settings of setups in which it differs"
    )


class GroupSettings(InstrumentSettings):
    """Settings shared by several instruments, with the rules in which the group differs."""

    rules: dict[str, Any] = Field(default_factory=dict, description="rules in which the group differs")
    group: None = None
    symbol: None = None
    adjustments: None = None


class Route(ConfigTable):
    """Which events go to which sinks; an event takes every route that matches it."""

    sinks: tuple[str, ...] = Field(min_length=1, description="names of sinks")
    kinds: tuple[Kind, ...] = Field((), description="kinds of event, such as setup.qualified; all when empty")
    groups: tuple[str, ...] = Field((), description="groups; all when empty")
    timeframes: tuple[TimeframeName, ...] = Field((), description="timeframes; all when empty")
    directions: tuple[Literal["long", "short"], ...] = Field((), description="directions; both when empty")
    least_evidence: int = Field(
        0, ge=0, le=10, description="fewest points of evidence of a setup, also for later events of its story"
    )


class Quiet(ConfigTable):
    """Quiet hours of a sink: waiting messages are delivered as one digest at their end."""

    start: TimeOfDay = Field(description="when they start, such as 22:00")
    end: TimeOfDay = Field(description="when they end; on the next day if that is earlier than the start")
    zone: Zone = Field(description="time zone of the hours")

    @model_validator(mode="after")
    def _ends(self) -> Self:
        if self.start == self.end:
            raise ValueError("quiet hours that end when they start would hold everything back; give another end")
        return self


class KeptStudy(ConfigTable):
    """The study that alerts quote, kept by ``closewatch study --keep``."""

    max_age: int = Field(400, ge=1, description="days after the last bar of a study after which alerts call it old")
