"""What a configuration says: its TOML file, overridden by the environment, as one model."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from pydantic import Field, PrivateAttr

from scanner.analysis.door.known_setups import chosen
from scanner.analysis.rules import Rules
from scanner.configuration.model.page import Page  # noqa: TC001 - pydantic reads the annotations
from scanner.configuration.model.tables import (
    GroupSettings,
    InstrumentSettings,
    KeptStudy,
    Quiet,
    Route,
    StationSettings,
)
from scanner.market.costs import COST_NAMES, Costs
from scanner.trade.following import Follow
from scanner.trade.limits import Limits
from scanner.trade.rulebook import Rulebook
from scanner.trade.size import Account
from scanner.trade.surroundings import Surroundings
from scanner.wording.config_table import ConfigTable

if TYPE_CHECKING:
    from collections.abc import Iterator


ReadFrom = tuple[Mapping[str, Any], Path, Mapping[str, str]]
"""The TOML, the folder of its file, and the environment."""


class Document(ConfigTable):
    """The tables of a configuration; it is validated with its folder as context."""

    station: StationSettings = Field(default_factory=StationSettings)
    account: Account = Field(default_factory=Account)
    limits: Limits = Field(default_factory=Limits)
    rules: Rules = Field(default_factory=Rules)
    setups: dict[str, dict[str, Any]] = Field(
        default_factory=dict, description="setups to watch, by name, with the settings in which they differ"
    )
    surroundings: Surroundings = Field(default_factory=Surroundings)
    follow: Follow = Field(default_factory=Follow)
    defaults: InstrumentSettings = Field(default_factory=InstrumentSettings)
    groups: dict[str, GroupSettings] = Field(default_factory=dict)
    instruments: dict[str, InstrumentSettings] = Field(default_factory=dict)
    feeds: dict[str, dict[str, Any]] = Field(default_factory=dict)
    sinks: dict[str, dict[str, Any]] = Field(default_factory=dict)
    routes: tuple[Route, ...] = ()
    quiet: dict[str, Quiet] = Field(default_factory=dict)
    page: Page | None = Field(None, description="the page; `closewatch watch` serves it if there is this table")
    study: KeptStudy = Field(default_factory=KeptStudy)
    ceiling: dict[str, Annotated[int, Field(ge=1)]] = Field(
        default_factory=dict, description="alerts per minute and sink; more are bundled into digests"
    )
    _read_from: ReadFrom = PrivateAttr()
    _rulebooks: dict[tuple[str, str], Rulebook] = PrivateAttr(default_factory=dict)

    def model_post_init(self, context: Any) -> None:  # noqa: ANN401 - as pydantic has it
        """Keep what it was read from."""
        self._read_from = context

    @property
    def document(self) -> Mapping[str, Any]:
        """What its file says."""
        return self._read_from[0]

    @property
    def folder(self) -> Path:
        """The folder of its file; relative paths count from there."""
        return self._read_from[1]

    def parts(self, name: str) -> Iterator[tuple[tuple[str, ...], InstrumentSettings]]:
        """Give the tables that describe an instrument, with their paths, from its own to the defaults."""
        own = self.instruments[name]
        yield ("instruments", name), own
        if own.group in self.groups:
            yield ("groups", own.group), self.groups[own.group]
        yield ("defaults",), self.defaults

    def rulebook_of(self, name: str = "") -> Rulebook:
        """Give the rulebook of an instrument, also of one that is not on the list.

        A pydantic ValidationError or a SetupError if it is invalid.
        """
        own = self.instruments.get(name, InstrumentSettings())
        about = ("instrument", name) if own.setups else ("group", own.group or "")  # the same object for all of a group
        if about not in self._rulebooks:
            group = self.groups.get(own.group or "", GroupSettings())
            rules = Rules.model_validate(self.rules.model_dump(exclude_unset=True) | group.rules)
            tables = [self.setups, self.defaults.setups, group.setups, own.setups]
            self._rulebooks[about] = Rulebook(rules, chosen(tables, self.folder), self.surroundings, self.follow)
        return self._rulebooks[about]

    def costs_of(self, name: str) -> Costs:
        """Give the costs of an instrument, each from the first table that gives it."""
        tables = [part.costs for _, part in self.parts(name)]
        return Costs(
            *(next((cost for each in tables if (cost := getattr(each, key)) is not None), None) for key in COST_NAMES)
        )

    def setting_of(self, name: str, key: str) -> Any:  # noqa: ANN401 - the type depends on the key
        """Give the value of a key for an instrument: from itself, else its group, else the defaults."""
        return next((value for _, part in self.parts(name) if (value := getattr(part, key)) is not None), None)
