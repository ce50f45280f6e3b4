"""The whole configuration: one TOML file, overridden by the environment, as one model."""

from __future__ import annotations

import json
import os
from dataclasses import dataclass, replace
from datetime import datetime, time
from decimal import Decimal
from fractions import Fraction
from functools import cached_property, partial
from hashlib import sha256
from ipaddress import IPv4Address
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, ClassVar, Literal, Self
from zoneinfo import ZoneInfo

from pydantic import BaseModel, ConfigDict, Field, IPvAnyAddress, PrivateAttr, ValidationError, model_validator
from pydantic_settings import BaseSettings, InitSettingsSource, PydanticBaseSettingsSource, SettingsConfigDict

from scanner.analysis.door.known_setups import (
    FORMING,
    KEYS,
    OBJECT,
    ON,
    SetupError,
    chosen,
    is_told_ahead,
    is_true,
    setup_named,
)
from scanner.analysis.door.setup_trial import wrong_ways
from scanner.analysis.rules import Rules
from scanner.configuration.mistakes import Mistake, did_you_mean, explain
from scanner.configuration.model.completeness import unwatchable
from scanner.configuration.model.environment import SECRETS, EnvironmentSource, strays, without_adapters
from scanner.configuration.model.values import (
    CalendarName,
    Currency,
    Day,
    Expense,
    PositiveDecimal,
    Ratio,
    Step,
    TimeframeName,
    Zone,
    steps_of,
)
from scanner.configuration.toml_files.reading import TomlFaultError, document_of, read_text
from scanner.events import Kind  # noqa: TC001 - pydantic reads the annotations
from scanner.market.costs import COST_NAMES, Costs
from scanner.market.instruments import Instrument, wrong_currency
from scanner.market.sessions.calendars import Calendar, calendar_named
from scanner.market.sessions.dates import Dates
from scanner.market.sessions.dates import read as read_dates
from scanner.market.sessions.timeframes import Timeframe
from scanner.market.splits import Adjustment
from scanner.trade.following import Follow
from scanner.trade.limits import Limits
from scanner.trade.rulebook import Rulebook
from scanner.trade.size import Account
from scanner.trade.surroundings import Surroundings

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Mapping, Sequence

    from scanner.market.price_steps import PriceSteps
    from scanner.market.sessions.dates import Dated


HostName = Annotated[str, Field(pattern=r"^[a-z0-9]([a-z0-9.-]*[a-z0-9])?$")]


class SettingsError(Exception):
    """The configuration cannot be used; the message says where and what to do."""

    exit_code = 2


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Station(_Part):
    """The running watcher itself."""

    name: str = Field("station", min_length=1, description="the station's name in events and topics")
    zone: Zone = Field("UTC", description="the user's time zone, for displayed times")
    store: Path = Field(Path("closewatch.db"), description="the database; relative to the configuration's folder")
    secrets: Path | None = Field(None, description="the secrets folder, with files such as sinks.mail.password")
    stale_after: int = Field(3, ge=0, description="bars after which a setup found while catching up is not news")
    record: bool = Field(default=True, description="keep everything the feeds send, so that any day can be replayed")
    keep_bars: int = Field(20_000, ge=500, description="bars kept for each series")
    keep_days: int = Field(400, ge=1, description="days for which events and recordings are kept")
    summary_at: time | None = Field(None, description="time of day of the «still watching» summary, in the zone")
    health_port: int | None = Field(None, ge=1, le=65_535, description="port on loopback for metrics and health")


class Page(_Part):
    """The page to look at: on loopback, unless it listens on another address, which takes a password and TLS."""

    port: int = Field(8470, ge=1, le=65_535, description="port of the page")
    listen: IPvAnyAddress = Field(
        default=IPv4Address("127.0.0.1"),
        description="address to listen on; any but loopback takes a password, and a certificate or a proxy",
    )
    names: tuple[HostName, ...] = Field(
        (),
        description="names by which browsers reach it, where the address is not its name, as desk.example",
    )
    password: Path | None = Field(None, description="file of its hashed password, as `closewatch page` writes it")
    certificate: Path | None = Field(None, description="file of its TLS certificate, in PEM")
    key: Path | None = Field(None, description="file of the key of that certificate, in PEM")
    behind_proxy: bool = Field(default=False, description="whether a proxy in front of it speaks TLS")

    @model_validator(mode="after")
    def _safe(self) -> Self:
        if (self.certificate is None) != (self.key is None):
            raise ValueError("certificate and key go together; give both or neither")
        if self.is_local and not self.behind_proxy:
            return self
        if self.password is None:
            raise ValueError("a page that others can reach takes a password; name its file with password")
        if self.certificate is None and not self.behind_proxy:
            raise ValueError(
                "a page that others can reach takes TLS; give certificate and key, or behind_proxy = true where a "
                "proxy speaks it"
            )
        return self

    @property
    def is_local(self) -> bool:
        """Whether only this machine can reach it."""
        return self.listen.is_loopback


class Split(_Part):
    """A known split: from the date on, 2 new shares replace 1 old if the ratio is ``2:1``."""

    date: Day = Field(description="the first day (or moment) at the new price")
    ratio: Ratio = Field(description="new:old shares")


class CostSettings(_Part):
    """Costs of a trade, each a price ("0.02"), per cent of the price ("0.05 %"), or money for one unit ("1.50 EUR")."""

    spread: Expense | None = Field(None, description="distance from bid to ask; entry and exit together cost it once")
    commission: Expense | None = Field(None, description="commission of each way, paid twice")
    slippage: Expense | None = Field(None, description="how much worse than planned entry and exit together are filled")


class InstrumentSettings(_Part):
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
    adjustments: tuple[Split, ...] | None = Field(None, description="known splits of bars that are not adjusted")
    setups: dict[str, dict[str, Any]] = Field(
        default_factory=dict, description="settings of setups in which it differs"
    )


class Group(InstrumentSettings):
    """Settings shared by several instruments, with their own rules where those differ."""

    rules: dict[str, Any] = Field(default_factory=dict, description="rules in which the group differs")
    group: None = None
    symbol: None = None
    adjustments: None = None


class Route(_Part):
    """Which events go to which sinks; an event takes every route that matches it."""

    sinks: tuple[str, ...] = Field(min_length=1, description="names of sinks")
    kinds: tuple[Kind, ...] = Field((), description="kinds of event, such as setup.qualified; all when empty")
    groups: tuple[str, ...] = Field((), description="groups; all when empty")
    timeframes: tuple[TimeframeName, ...] = Field((), description="timeframes; all when empty")
    directions: tuple[Literal["long", "short"], ...] = Field((), description="directions; both when empty")
    least_evidence: int = Field(
        0, ge=0, le=10, description="fewest points of evidence of a setup, also for later events of its story"
    )


class Quiet(_Part):
    """Quiet hours of a sink: waiting messages are delivered as one digest at their end."""

    start: time = Field(description="when they start, such as 22:00")
    end: time = Field(description="when they end; on the next day if that is earlier than the start")
    zone: Zone = Field(description="time zone of the hours")

    @model_validator(mode="after")
    def _ends(self) -> Self:
        if self.start == self.end:
            raise ValueError("quiet hours that end when they start would hold everything back; give another end")
        return self


class KeptStudy(_Part):
    """The study that alerts quote, kept by ``closewatch study --keep``."""

    max_age: int = Field(400, ge=1, description="days after the last bar of a study after which alerts call it old")


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
    rulebook: Rulebook
    adjustments: tuple[Adjustment, ...]
    dates: tuple[Dated, ...] | None
    """Those of the user's dates that concern it; None if no dates are known."""

    @property
    def rules(self) -> Rules:
        """The common rules for it."""
        return self.rulebook.rules


class Settings(BaseSettings):
    """The configuration of a station. Environment variables ``CLOSEWATCH_STATION__ZONE`` and so on override it.

    ``folder`` holds its file; relative paths count from there.
    """

    model_config = SettingsConfigDict(extra="forbid", frozen=True)

    folder: ClassVar[Path] = Path()
    document: ClassVar[Mapping[str, Any]] = {}
    environ: ClassVar[Mapping[str, str]] = {}

    station: Station = Field(default_factory=Station)
    account: Account = Field(default_factory=Account)
    limits: Limits = Field(default_factory=Limits)
    rules: Rules = Field(default_factory=Rules)
    setups: dict[str, dict[str, Any]] = Field(
        default_factory=dict, description="setups to watch, by name, with the settings in which they differ"
    )
    surroundings: Surroundings = Field(default_factory=Surroundings)
    follow: Follow = Field(default_factory=Follow)
    defaults: InstrumentSettings = Field(default_factory=InstrumentSettings)
    groups: dict[str, Group] = Field(default_factory=dict)
    instruments: dict[str, InstrumentSettings] = Field(default_factory=dict)
    feeds: dict[str, dict[str, Any]] = Field(default_factory=dict)
    sinks: dict[str, dict[str, Any]] = Field(default_factory=dict)
    routes: tuple[Route, ...] = ()
    quiet: dict[str, Quiet] = Field(default_factory=dict)
    page: Page | None = Field(None, description="the page to look at; `closewatch watch` serves it where it is given")
    study: KeptStudy = Field(default_factory=KeptStudy)
    ceiling: dict[str, Annotated[int, Field(ge=1)]] = Field(
        default_factory=dict, description="alerts per minute and sink; more are bundled into digests"
    )
    _rulebooks: dict[tuple[str, str], Rulebook] = PrivateAttr(default_factory=dict)

    @classmethod
    def settings_customise_sources(
        cls,
        settings_cls: type[BaseSettings],
        init_settings: PydanticBaseSettingsSource,
        env_settings: PydanticBaseSettingsSource,
        dotenv_settings: PydanticBaseSettingsSource,
        file_secret_settings: PydanticBaseSettingsSource,
    ) -> tuple[PydanticBaseSettingsSource, ...]:
        """Let the environment override the file. Feeds and sinks read their own secrets."""
        del env_settings, dotenv_settings, file_secret_settings
        return (
            init_settings,
            EnvironmentSource(settings_cls, cls.environ, cls.document),
            InitSettingsSource(settings_cls, dict(cls.document)),
        )

    def __reduce__(self) -> tuple[Any, tuple[Any, ...]]:
        """Pickle as what it was read from; the environment's settings of feeds and sinks stay here.

        They may be secret, and only code that starts feeds and sinks reads them.
        """
        return from_document, (self.document, self.folder, without_adapters(self.environ))

    @property
    def mark(self) -> str:
        """Identify a file by its contents, whatever its layout and comments; the environment is left out."""
        return sha256(json.dumps(self.document, sort_keys=True, default=str).encode()).hexdigest()[:32]

    @property
    def store_path(self) -> Path:
        """Where the database is."""
        return self.folder / self.station.store

    def secrets_folder(self, environ: Mapping[str, str]) -> Path | None:
        """Give the folder of secrets, which the environment may name too; None where there is none."""
        named = environ.get(SECRETS) or self.station.secrets
        return None if named is None else self.folder / named

    @cached_property
    def dates(self) -> Dates:
        """The user's dates, read on first use; what is wrong with their file is in their troubles."""
        path = self.surroundings.dates
        return Dates() if path is None else read_dates(self.folder / path, self.station.zone)

    def parts(self, name: str) -> Iterator[tuple[tuple[str, ...], InstrumentSettings]]:
        """Give the tables that describe an instrument, with their paths, from its own to the defaults."""
        own = self.instruments[name]
        yield ("instruments", name), own
        if own.group in self.groups:
            yield ("groups", own.group), self.groups[own.group]
        yield ("defaults",), self.defaults

    def pointing_nowhere(self) -> Iterator[Mistake]:
        """Find names of groups, feeds and sinks that do not exist."""
        described: list[tuple[tuple[str, ...], InstrumentSettings]] = [
            (("defaults",), self.defaults),
            *((("groups", name), group) for name, group in self.groups.items()),
            *((("instruments", name), instrument) for name, instrument in self.instruments.items()),
        ]
        for path, part in described:
            yield from _unknown((*path, "feed"), "feed", part.feed, self.feeds)
            yield from _unknown((*path, "group"), "group", part.group, self.groups)
        for number, route in enumerate(self.routes):
            for place, sink in enumerate(route.sinks):
                yield from _unknown(("routes", number, "sinks", place), "sink", sink, self.sinks)
            for place, group in enumerate(route.groups):
                yield from _unknown(("routes", number, "groups", place), "group", group, self.groups)
        for table, names in (("quiet", self.quiet), ("ceiling", self.ceiling)):
            for name in names:
                yield from _unknown((table, name), "sink", name, self.sinks)

    def unwatchable(self, gone: Collection[tuple[str | int, ...]] = ()) -> Iterator[Mistake]:
        """Find what cannot be watched; ``gone`` are settings that were taken out and do not count as missing."""
        return unwatchable({name: dict(self.parts(name)) for name in self.instruments}, gone)

    def rulebook_of(self, name: str = "") -> Rulebook:
        """Give the rulebook of an instrument, also of one that is not on the list.

        A pydantic ValidationError or a SetupError if it is invalid.
        """
        own = self.instruments.get(name, InstrumentSettings())
        about = ("instrument", name) if own.setups else ("group", own.group or "")  # the same object for all of a group
        if about not in self._rulebooks:
            group = self.groups.get(own.group or "", Group())
            rules = Rules.model_validate(self.rules.model_dump(exclude_unset=True) | group.rules)
            tables = [self.setups, self.defaults.setups, group.setups, own.setups]
            self._rulebooks[about] = Rulebook(rules, chosen(tables, self.folder), self.surroundings, self.follow)
        return self._rulebooks[about]

    def wrong_rules(self) -> Iterator[Mistake]:
        """Find what is wrong with the rules of groups, and with setups."""
        for name, group in self.groups.items():
            try:
                Rules.model_validate(self.rules.model_dump(exclude_unset=True) | group.rules)
            except ValidationError as problem:
                for error in problem.errors():
                    yield Mistake(("groups", name, "rules", *error["loc"]), explain(error, Rules))
        common = [self.setups, self.defaults.setups]
        yield from self._wrong_setups(("setups",), common[:1])
        yield from self._wrong_setups(("defaults", "setups"), common)
        for name, group in self.groups.items():
            yield from self._wrong_setups(("groups", name, "setups"), [*common, group.setups])
        for name, own in self.instruments.items():
            group = self.groups.get(own.group or "", Group())
            yield from self._wrong_setups(("instruments", name, "setups"), [*common, group.setups, own.setups])

    def _tables_of_setups(self) -> Iterator[tuple[tuple[str, ...], Mapping[str, Mapping[str, Any]]]]:
        yield ("setups",), self.setups
        yield ("defaults", "setups"), self.defaults.setups
        for kind, parts in (("groups", self.groups), ("instruments", self.instruments)):
            for name, part in parts.items():
                yield (kind, name, "setups"), part.setups

    def wrong_own_setups(self) -> Iterator[Mistake]:
        """Try the user's own watched setups, each with all its settings, and find what is wrong with them.

        There must be no ``wrong_rules``.
        """
        where: dict[str, tuple[str, ...]] = {}
        for path, tables in self._tables_of_setups():
            for name, table in tables.items():
                if OBJECT in table:
                    where.setdefault(name, (*path, name))
        rulebooks = [self.rulebook_of(name) for name in ("", *self.instruments)] if where else []
        tried = {(each, book.rules) for book in rulebooks for each in book.setups if each.setup.name in where}
        for each, rules in sorted(tried, key=lambda pair: pair[0].setup.name):
            for text in wrong_ways(each, rules):
                yield Mistake(where[each.setup.name], text)

    def try_own_setups(self) -> None:
        """Try the user's own setups; SetupError with the first thing that is wrong."""
        mistake = next(self.wrong_own_setups(), None)
        if mistake is not None:
            raise SetupError(mistake.sentence)

    def _wrong_setups(
        self, path: tuple[str, ...], tables: Sequence[Mapping[str, Mapping[str, Any]]]
    ) -> Iterator[Mistake]:
        """Find what is wrong in the last of some tables of setups, which extends those before it."""
        for name, table in tables[-1].items():
            merged = {key: value for each in tables for key, value in each.get(name, {}).items()}
            try:
                setup = setup_named(name, merged, self.folder)
            except SetupError as problem:
                yield Mistake((*path, name), str(problem))
                continue
            for key, read in ((ON, is_true), (FORMING, partial(is_told_ahead, setup))):
                try:
                    read(table.get(key, False))
                except ValueError as problem:
                    yield Mistake((*path, name, key), str(problem))
            try:
                setup.numbers.model_validate({key: value for key, value in merged.items() if key not in KEYS})
            except ValidationError as problem:
                for error in problem.errors():
                    if not error["loc"] or error["loc"][0] in table:
                        yield Mistake((*path, name, *error["loc"]), explain(error, setup.numbers))

    def wrong_costs(self) -> Iterator[Mistake]:
        """Find costs in money whose currency is not that of the prices."""
        for name in self.instruments:
            currency, costs = self.said_of(name, "currency") or "", self.costs_of(name)
            for cost_name in COST_NAMES:
                cost = getattr(costs, cost_name)
                if cost is not None and (wrong := wrong_currency(cost, currency)):
                    yield Mistake(("instruments", name, "costs", cost_name), wrong)

    def costs_of(self, name: str) -> Costs:
        """Give the costs of an instrument, each from the first table that gives it."""
        tables = [part.costs for _, part in self.parts(name)]
        return Costs(
            *(next((cost for each in tables if (cost := getattr(each, key)) is not None), None) for key in COST_NAMES)
        )

    def said_of(self, name: str, key: str) -> Any:  # noqa: ANN401 - the type depends on the key
        """Give the value of a key for an instrument: from itself, else its group, else the defaults."""
        return next((value for _, part in self.parts(name) if (value := getattr(part, key)) is not None), None)

    def of(self, name: str, *, steps: PriceSteps | None = None, timeframes: tuple[Timeframe, ...] = ()) -> Watched:
        """Resolve one instrument; ``steps`` and ``timeframes`` apply if none are given.

        ValueError names what is missing.
        """
        own = self.instruments[name]

        def found(key: str, default: Any = None) -> Any:  # noqa: ANN401 - as above
            said = self.said_of(name, key)
            return default if said is None else said

        step, names = found("step"), found("timeframes", ())
        timeframes = tuple(sorted({Timeframe.named(each) for each in names})) or timeframes
        steps = steps if step is None else steps_of(step)
        if steps is None or not timeframes:
            missing = "step" if steps is None else "timeframes"
            raise ValueError(f"instruments.{name}: {missing} is missing there, in its group and in the defaults")
        calendar = calendar_named(found("calendar", "none"), found("zone", "UTC"))
        return Watched(
            Instrument(
                name,
                steps,
                point_value=found("point_value", Decimal(1)),
                lot_step=found("lot_step", Decimal(1)),
                currency=found("currency", ""),
                calendar=calendar.name,
                costs=self.costs_of(name),
            ),
            symbol=own.symbol or name,
            feed=found("feed", ""),
            group=own.group or "",
            calendar=calendar,
            base=Timeframe.named(found("base", timeframes[0].name)),
            timeframes=timeframes,
            rulebook=self.rulebook_of(name),
            adjustments=tuple(_adjustment(each, calendar) for each in own.adjustments or ()),
            dates=self.dates.of(name, own.group or ""),
        )

    def watched(self) -> list[Watched]:
        """Resolve every instrument on the list; those of which nothing else is said share what they have in common."""
        found, alike = [], dict[str, Watched]()  # the first of each group
        for name, own in self.instruments.items():
            group = own.group or ""
            if own.model_fields_set <= {"symbol", "group"} and group in alike:
                instrument = replace(alike[group].instrument, symbol=name)
                dates = self.dates.of(name, group)
                found.append(replace(alike[group], instrument=instrument, symbol=own.symbol or name, dates=dates))
            else:
                found.append(self.of(name))
                if own.model_fields_set <= {"symbol", "group"}:
                    alike[group] = found[-1]
        return found


def _unknown(
    path: tuple[str | int, ...], what: str, name: str | None, known: Mapping[str, object]
) -> Iterator[Mistake]:
    if name is not None and name not in known:
        yield Mistake(path, f'there is no {what} "{name}"' + (did_you_mean(name, known) or f"; add [{what}s.{name}]"))


def _adjustment(split: Split, calendar: Calendar) -> Adjustment:
    moment = datetime.fromisoformat(split.date)
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=ZoneInfo(calendar.tz))
    new, old = split.ratio.split(":")
    return Adjustment(int(moment.timestamp()) * 1_000_000_000, Fraction(int(new), int(old)))


def from_document(document: Mapping[str, Any], folder: Path, environ: Mapping[str, str]) -> Settings:
    """Make settings from TOML and the environment; a pydantic ValidationError holds all that is wrong."""

    class Read(Settings):
        pass

    Read.folder, Read.document, Read.environ = folder, document, environ
    return Read()


def read_file(path: Path) -> str:
    """Read the text of a configuration; SettingsError if there is none."""
    try:
        return read_text(path)
    except OSError as problem:
        raise SettingsError(f"{path}: {problem.strerror or problem}; give the path of a configuration") from None
    except UnicodeDecodeError as problem:
        raise SettingsError(f"{path} is not TOML, which must be UTF-8: {problem}") from None


def load(path: Path, environ: Mapping[str, str] = os.environ, *, to_watch: bool = False) -> Settings:
    """Read a configuration; SettingsError says the first thing that is wrong with it, and where.

    One that is ``to_watch`` must have all that watching needs. One that only describes instruments in files, or names a
    store, may lack that.
    """
    try:
        document = document_of(read_file(path))
    except TomlFaultError as problem:
        raise SettingsError(f"{path}:{problem.line}: {problem}") from None
    wrong = [each for each in strays(environ, document, Settings.model_fields) if not each.warning]
    try:
        settings = from_document(document, path.parent, environ)
    except ValidationError as problem:
        wrong += [Mistake(error["loc"], explain(error, Settings)) for error in problem.errors()]
    else:
        wrong += [*settings.pointing_nowhere(), *settings.wrong_rules(), *settings.wrong_costs()]
        wrong += settings.unwatchable() if to_watch else ()
        if not wrong:
            return settings
    raise SettingsError(f"{path}: {wrong[0].sentence}; `closewatch check {path}` explains all")
