"""The whole configuration: one TOML file, overridden by the environment, as one model."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, time
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import Annotated, Any, Literal, Self
from zoneinfo import ZoneInfo

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator
from pydantic_settings import BaseSettings, PydanticBaseSettingsSource, SettingsConfigDict, TomlConfigSettingsSource

from scanner.analysis.rules import Rules
from scanner.market.calendars import Calendar, calendar_named
from scanner.market.instruments import Instrument
from scanner.market.price_steps import PriceSteps
from scanner.market.splits import Adjustment
from scanner.market.timeframes import Timeframe
from scanner.trade.size import Account

EU_SHARES = "eu_shares:"

PositiveDecimal = Annotated[Decimal, Field(gt=0)]


class SettingsError(Exception):
    """The configuration cannot be used; the message says where and what to do."""

    exit_code = 2


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Station(_Part):
    """The running watcher itself."""

    name: str = Field("station", min_length=1, description="what this station calls itself in events and topics")
    zone: str = Field("UTC", description="the user's time zone, for times that people read")
    store: Path = Field(Path("closewatch.db"), description="the database; relative to the configuration's folder")
    stale_after: int = Field(3, ge=0, description="bars after which a setup found while catching up is not news")
    history: int = Field(600, ge=1, description="bars asked of a feed for a series that is not in the store yet")
    record: bool = Field(default=True, description="keep all that the feeds send, so that any day can be replayed")
    keep_bars: int = Field(20_000, ge=500, description="bars kept for each series")
    keep_days: int = Field(400, ge=1, description="days for which events and recordings are kept")
    summary_at: time | None = Field(None, description="time of day of the «still watching» summary, in the zone")
    health_port: int | None = Field(None, ge=1, le=65_535, description="port on loopback for metrics and health")

    @field_validator("zone")
    @classmethod
    def _zone_exists(cls, value: str) -> str:
        calendar_named("none", value)
        return value


class Split(_Part):
    """A known split: from the date on, so many new shares stand for so many old, written ``2:1``."""

    date: str = Field(description="the first day (or moment) at the new price")
    ratio: str = Field(pattern=r"^[1-9]\d*:[1-9]\d*$", description="new:old shares")


class InstrumentSettings(_Part):
    """What is known of an instrument; what is missing comes from its group, then from the defaults."""

    group: str | None = Field(None, description="the group whose settings it shares")
    symbol: str | None = Field(None, description="the feed's name for it, where that is another")
    feed: str | None = Field(None, description="the feed that has its bars")
    calendar: str | None = Field(None, description="its sessions: none, 24/7, 24/5 or an exchange code such as XNYS")
    zone: str | None = Field(None, description="the zone in which a day of none and 24/7 begins")
    timeframes: tuple[str, ...] | None = Field(None, description="the timeframes to watch")
    base: str | None = Field(None, description="the timeframe asked of the feed; the finest watched one by default")
    step: str | None = Field(None, description="price step: a number, us_shares, or eu_shares:TRADES_A_DAY")
    point_value: PositiveDecimal | None = Field(None, description="money for one point of price and one unit")
    lot_step: PositiveDecimal | None = Field(None, description="least size, and step of sizes")
    currency: str | None = Field(None, pattern=r"^[A-Z]{3}$", description="currency of its prices, ISO 4217")
    adjustments: tuple[Split, ...] | None = Field(None, description="known splits of bars that are not adjusted")

    @field_validator("timeframes", "base")
    @classmethod
    def _timeframes_exist(cls, value: tuple[str, ...] | str | None) -> tuple[str, ...] | str | None:
        for name in (value,) if isinstance(value, str) else value or ():
            Timeframe.named(name)
        return value

    @field_validator("step")
    @classmethod
    def _step_is_one(cls, value: str | None) -> str | None:
        if value is not None:
            steps(value)
        return value

    @field_validator("calendar")
    @classmethod
    def _calendar_exists(cls, value: str | None) -> str | None:
        if value is not None:
            calendar_named(value)
        return value


class Group(InstrumentSettings):
    """Settings shared by several instruments, with rules of their own where they differ."""

    rules: dict[str, Any] = Field(default_factory=dict, description="rules in which the group differs")
    group: None = None
    symbol: None = None
    adjustments: None = None


class Route(_Part):
    """Which events go to which sinks; an event takes every route that fits it."""

    sinks: tuple[str, ...] = Field(min_length=1, description="names of sinks")
    kinds: tuple[str, ...] = Field((), description="kinds of event, such as setup.qualified; all when empty")
    groups: tuple[str, ...] = Field((), description="groups; all when empty")
    timeframes: tuple[str, ...] = Field((), description="timeframes; all when empty")
    directions: tuple[Literal["long", "short"], ...] = Field((), description="directions; both when empty")
    least_evidence: int = Field(0, ge=0, le=10, description="least points of evidence of a setup")


class Quiet(_Part):
    """Quiet hours of a sink: what waits is delivered as one digest at their end."""

    start: time
    end: time
    zone: str = Field(description="time zone of the hours")


def steps(text: str) -> PriceSteps:
    """Make price steps of what the configuration says of them; ValueError says what it may say."""
    if text == "us_shares":
        return PriceSteps.us_shares()
    try:
        if text.startswith(EU_SHARES):
            return PriceSteps.eu_shares(int(text.removeprefix(EU_SHARES)))
        return PriceSteps.fixed(Decimal(text))
    except (ValueError, ArithmeticError):
        raise ValueError(f"{text!r} is no price step; write a number above 0, us_shares or eu_shares:450") from None


@dataclass(frozen=True, slots=True)
class Watched:
    """One instrument as it is watched, with everything resolved."""

    instrument: Instrument
    symbol: str
    feed: str
    group: str
    calendar: Calendar
    base: Timeframe
    timeframes: tuple[Timeframe, ...]
    rules: Rules
    adjustments: tuple[Adjustment, ...]


class Settings(BaseSettings):
    """The configuration of a station. Environment variables ``CLOSEWATCH_STATION__ZONE`` and so on override it."""

    model_config = SettingsConfigDict(
        env_prefix="CLOSEWATCH_", env_nested_delimiter="__", extra="forbid", frozen=True, toml_file=None
    )

    station: Station = Field(default_factory=Station)
    account: Account = Field(default_factory=Account)
    rules: Rules = Field(default_factory=Rules)
    defaults: InstrumentSettings = Field(default_factory=InstrumentSettings)
    groups: dict[str, Group] = Field(default_factory=dict)
    instruments: dict[str, InstrumentSettings] = Field(default_factory=dict)
    feeds: dict[str, dict[str, Any]] = Field(default_factory=dict)
    sinks: dict[str, dict[str, Any]] = Field(default_factory=dict)
    routes: tuple[Route, ...] = ()
    quiet: dict[str, Quiet] = Field(default_factory=dict)

    @classmethod
    def settings_customise_sources(
        cls,
        settings_cls: type[BaseSettings],
        init_settings: PydanticBaseSettingsSource,
        env_settings: PydanticBaseSettingsSource,
        dotenv_settings: PydanticBaseSettingsSource,
        file_secret_settings: PydanticBaseSettingsSource,
    ) -> tuple[PydanticBaseSettingsSource, ...]:
        """Let the environment overrule the file; nothing else is read."""
        del dotenv_settings, file_secret_settings
        return init_settings, env_settings, TomlConfigSettingsSource(settings_cls)

    @model_validator(mode="after")
    def _names_exist(self) -> Self:
        """Refuse names that point nowhere."""
        for name, instrument in self.instruments.items():
            if instrument.group is not None and instrument.group not in self.groups:
                raise ValueError(f"instruments.{name}.group: there is no group {instrument.group!r}")
        for number, route in enumerate(self.routes):
            for sink in route.sinks:
                if sink not in self.sinks:
                    raise ValueError(f"routes[{number}].sinks: there is no sink {sink!r}")
        return self

    def of(self, name: str) -> Watched:
        """Resolve one instrument; ValueError names what is missing."""
        own = self.instruments[name]
        group = self.groups.get(own.group or "", Group())

        def found(key: str, default: Any = None) -> Any:  # noqa: ANN401 - whatever the key holds
            for part in (own, group, self.defaults):
                if (value := getattr(part, key)) is not None:
                    return value
            return default

        step, names = found("step"), found("timeframes", ())
        if step is None or not names:
            missing = "step" if step is None else "timeframes"
            raise ValueError(f"instruments.{name}: {missing} is given neither there nor in its group or the defaults")
        timeframes = tuple(sorted({Timeframe.named(each) for each in names}))
        calendar = calendar_named(found("calendar", "none"), found("zone", "UTC"))
        return Watched(
            Instrument(
                name,
                steps(step),
                point_value=found("point_value", Decimal(1)),
                lot_step=found("lot_step", Decimal(1)),
                currency=found("currency", ""),
                calendar=calendar.name,
            ),
            symbol=own.symbol or name,
            feed=found("feed", ""),
            group=own.group or "",
            calendar=calendar,
            base=Timeframe.named(found("base", timeframes[0].name)),
            timeframes=timeframes,
            rules=Rules.model_validate(self.rules.model_dump(exclude_unset=True) | group.rules),
            adjustments=tuple(_adjustment(each, calendar) for each in own.adjustments or ()),
        )

    def watched(self) -> list[Watched]:
        """Resolve every instrument on the list."""
        return [self.of(name) for name in self.instruments]


def _adjustment(split: Split, calendar: Calendar) -> Adjustment:
    moment = datetime.fromisoformat(split.date)
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=ZoneInfo(calendar.tz))
    new, old = split.ratio.split(":")
    return Adjustment(int(moment.timestamp()) * 1_000_000_000, Fraction(int(new), int(old)))


def load(path: Path) -> Settings:
    """Read a configuration; SettingsError says the first thing that is wrong with it, and where."""
    import tomllib  # noqa: PLC0415 - only here

    try:
        with path.open("rb") as stream:
            tomllib.load(stream)
    except OSError as problem:
        raise SettingsError(f"{path}: {problem.strerror or problem}; give the path of a configuration") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as problem:
        raise SettingsError(f"{path} is no TOML: {problem}") from None

    class FromFile(Settings):
        model_config = SettingsConfigDict(toml_file=path)

    try:
        return FromFile()
    except ValidationError as problem:
        first = problem.errors()[0]
        where = ".".join(map(str, first["loc"]))
        raise SettingsError(
            f"{path}: {where + ': ' if where else ''}{first['msg']}; `closewatch check` explains all"
        ) from None
