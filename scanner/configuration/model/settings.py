"""The configuration, read from its file, and each instrument with its settings resolved."""

from __future__ import annotations

import json
import os
from dataclasses import dataclass, replace
from datetime import datetime
from decimal import Decimal
from fractions import Fraction
from functools import cached_property
from hashlib import sha256
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from pydantic import ValidationError

from scanner.clocks import SECOND
from scanner.configuration.mistakes import Mistake, explain
from scanner.configuration.model.document import Document
from scanner.configuration.model.environment import SECRETS, overridden, strays, without_adapters
from scanner.configuration.model.outline import OnList
from scanner.configuration.model.values import steps_of
from scanner.configuration.model.wrong_instruments import unwatchable, wrong_costs
from scanner.configuration.model.wrong_names import wrong_names
from scanner.configuration.model.wrong_setups import wrong_rules
from scanner.configuration.toml_files.reading import TomlFaultError, document_of, read_text
from scanner.cycles import no_search_for_cycles
from scanner.market.bars import NEVER
from scanner.market.instruments import Instrument
from scanner.market.sessions.calendars import Calendar, calendar_named
from scanner.market.sessions.dates import Dates, parsed
from scanner.market.sessions.timeframes import Timeframe
from scanner.market.splits import Adjustment, adjust, in_force
from scanner.pipeline import Inputs

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from scanner.analysis.rules import Rules
    from scanner.configuration.model.tables import Split
    from scanner.market.bars import Bars
    from scanner.market.price_steps import PriceSteps
    from scanner.market.sessions.dates import Dated
    from scanner.trade.rulebook import Rulebook
    from scanner.trade.size import Account


class SettingsError(Exception):
    """The configuration cannot be used; the message says where and what to do."""

    exit_code = 2


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

    def inputs(self, account: Account, opened: int = NEVER) -> Inputs:
        """Give the parts of its pipeline, for bars up to one that ``opened`` then; by default with all known splits."""
        return Inputs(
            self.instrument,
            self.calendar,
            self.base,
            self.timeframes,
            self.rulebook,
            account,
            in_force(self.adjustments, opened),
            self.dates,
            self.group,
        )

    def as_judged(self, timeframe: str, stored: Bars) -> Bars:
        """Give the last stored bars of a series as they are judged.

        Those of the base timeframe are stored as they were sent.
        """
        if timeframe != self.base.name or not len(stored):
            return stored
        return adjust(stored, in_force(self.adjustments, int(stored.open_time[-1])))

    @property
    def on_list(self) -> OnList:
        """The same without its rules."""
        return OnList(
            self.feed,
            self.group,
            self.calendar,
            self.base,
            self.timeframes,
            self.rules.warm_up,
            self.instrument.point_value,
            self.instrument.currency,
        )


class Settings(Document):
    """The configuration of a station."""

    def __reduce__(self) -> tuple[Any, tuple[Any, ...]]:
        """Pickle as what it was read from; the environment's settings of feeds and sinks stay here.

        They may be secret, and only code that starts feeds and sinks reads them.
        """
        document, folder, environ = self._read_from
        return from_document, (document, folder, without_adapters(environ))

    @property
    def mark(self) -> str:
        """Identify a configuration by the contents of its file and of that of its dates, whatever their layout.

        The environment is left out.
        """
        told = json.dumps(self.document, sort_keys=True, default=str), self.dates.found
        return sha256(repr(told).encode()).hexdigest()[:32]

    @property
    def store_path(self) -> Path:
        """Where the database is."""
        return self.folder / self.station.store

    def secrets_folder(self, environ: Mapping[str, str]) -> Path | None:
        """Give the folder of secrets, which the environment may name too; None if there is none."""
        named = environ.get(SECRETS) or self.station.secrets
        return None if named is None else self.folder / named

    @cached_property
    def dates(self) -> Dates:
        """The user's dates, read on first use; what is wrong with their file is in their troubles."""
        path = self.surroundings.dates
        return Dates() if path is None else dates_in(self.folder / path, self.station.zone)

    def of(self, name: str, *, steps: PriceSteps | None = None, timeframes: tuple[Timeframe, ...] = ()) -> Watched:
        """Resolve one instrument; ``steps`` and ``timeframes`` apply if none are given.

        ValueError names what is missing.
        """
        own = self.instruments[name]

        def found(key: str, default: Any = None) -> Any:  # noqa: ANN401 - the type depends on the key
            said = self.setting_of(name, key)
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

    def on_list(self, name: str) -> OnList | None:
        """Give an instrument; None where it is not on the list."""
        return self.of(name).on_list if name in self.instruments else None

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


def _adjustment(split: Split, calendar: Calendar) -> Adjustment:
    moment = datetime.fromisoformat(split.date)
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=ZoneInfo(calendar.tz))
    new, old = split.ratio.split(":")
    return Adjustment(int(moment.timestamp()) * SECOND, Fraction(int(new), int(old)))


def dates_in(path: Path, zone: str) -> Dates:
    """Read a file of dates, in ``zone`` where they name none; everything wrong with it is listed in its troubles."""
    try:
        text = read_text(path).removeprefix("\ufeff")
    except OSError as problem:
        return Dates(troubles=(f"{path} cannot be read ({problem.strerror or problem}); no dates are known",))
    except UnicodeDecodeError:
        return Dates(troubles=(f"{path} is not UTF-8; no dates are known",))
    dates = parsed(text, zone)
    return Dates(dates.found, tuple(f"{path}: {each}" for each in dates.troubles))


def from_document(document: Mapping[str, Any], folder: Path, environ: Mapping[str, str]) -> Settings:
    """Make settings from TOML and the environment; a pydantic ValidationError holds all that is wrong."""
    told = overridden(document, environ, Settings.model_fields)
    return Settings.model_validate(told, context=(document, folder, environ))


def read_file(path: Path) -> str:
    """Read the text of a configuration; SettingsError if there is none."""
    try:
        return read_text(path)
    except OSError as problem:
        raise SettingsError(f"{path}: {problem.strerror or problem}; give the path of a configuration") from None
    except UnicodeDecodeError as problem:
        raise SettingsError(f"{path} is not TOML, which must be UTF-8: {problem}") from None


@no_search_for_cycles()
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
        wrong += [*wrong_names(settings), *wrong_rules(settings), *wrong_costs(settings)]
        wrong += unwatchable(settings) if to_watch else ()
        if not wrong:
            return settings
    raise SettingsError(f"{path}: {wrong[0].sentence}; `closewatch check {path}` explains all")
