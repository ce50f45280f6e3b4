"""The options of ``closewatch store``; the work is imported when a command runs."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from scanner.commands.station.which_store import choose

app = typer.Typer(
    help="Check a store, free the space it does not need, or export it as tables.",
    no_args_is_help=True,
    rich_markup_mode="markdown",
)

BY = "the path of the store"
StoreFile = Annotated[Path | None, typer.Argument(help="The store itself.", metavar="[FILE.db]", show_default=False)]
ConfigFile = Annotated[
    Path | None,
    typer.Option("--config", help="Or the configuration of the station whose store it is.", metavar="CONFIG.toml"),
]


@app.command()
def check(store: StoreFile = None, config: ConfigFile = None) -> int:
    """Check everything in a store and report what is wrong; works beside the running station.

    Example: closewatch store check --config watch.toml
    """
    from scanner.commands.station import store as command  # noqa: PLC0415 - not needed for --help

    return command.check(choose(config, store, BY))


@app.command()
def compact(store: StoreFile = None, config: ConfigFile = None) -> None:
    """Put a store in order and free disk space, while the station is not running.

    With a configuration, what exceeds its keep_bars and keep_days is removed; without one, nothing is.

    Example: closewatch store compact --config watch.toml
    """
    from scanner.commands.station import store as command  # noqa: PLC0415 - as above

    command.compact(choose(config, store, BY))


@app.command()
def export(
    to: Annotated[Path, typer.Option("--to", help="The folder to write to; created if needed.", metavar="FOLDER")],
    store: StoreFile = None,
    config: ConfigFile = None,
) -> None:
    """Write bars, events and all that the feeds sent as Parquet files; works beside the running station.

    Example: closewatch store export --config watch.toml --to tables
    """
    from scanner.commands.station import store as command  # noqa: PLC0415 - as above

    command.export(choose(config, store, BY), to)
