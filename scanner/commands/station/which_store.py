"""Which store a command uses: that of a configuration, or the one at a path; and the two options that say it."""

from __future__ import annotations

import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from scanner.commands.trouble import UsageError
from scanner.cycles import search_seldom

if TYPE_CHECKING:
    from scanner.configuration.model.settings import Settings
    from scanner.store import Store


ConfigFile = Annotated[
    Path | None, typer.Option("--config", help="The configuration of the station.", metavar="CONFIG.toml")
]
StoreFile = Annotated[Path | None, typer.Option("--store", help="Or its store.", metavar="FILE.db")]


@dataclass(frozen=True, slots=True)
class StoreChoice:
    """The path of the store, the zone of the times shown, and the configuration if one was given."""

    store: Path
    zone: str
    known: Settings | None = None

    def visited(self) -> Store:
        """Open the store beside the station that fills it."""
        from scanner.store import Store  # noqa: PLC0415 - heavy, and not needed for --help

        search_seldom()  # what is read may be many events, all of which stay
        return Store.open(self.store, time.time_ns, visiting=True)


def choose(config: Path | None, store: Path | None, by: str = "--store FILE.db") -> StoreChoice:
    """Find the store; UsageError, with ``by`` what a store is given, if neither or both are, or a configuration."""
    if store is not None and config is None:
        if store.suffix == ".toml":
            raise UsageError(f"{store} is a configuration, not a store: give it as --config {store}")
        return StoreChoice(store, "UTC")
    if store is not None or config is None:
        raise UsageError(f"name the station by one of these, not both: --config CONFIG.toml, or {by}")
    from scanner.configuration.model.settings import load  # noqa: PLC0415 - heavy, and not needed for --help

    known = load(config)
    return StoreChoice(known.store_path, known.station.zone, known)
