"""The options of the commands about a configuration and its station; the work is imported when a command runs."""

from __future__ import annotations

import os
import time
from pathlib import Path
from typing import Annotated

import typer

app = typer.Typer(rich_markup_mode="markdown")

ConfigFile = Annotated[Path, typer.Argument(help="The configuration of the station.", metavar="CONFIG.toml")]


@app.command()
def status(config: ConfigFile) -> None:
    """Show the state of a station: last bars, lags, what is warm, next closes and pending deliveries.

    Works whether or not the station is running. Example: closewatch status watch.toml
    """
    from scanner.commands.station import status as command  # noqa: PLC0415 - heavy, and not needed for --help

    command.run(config, os.environ, time.time_ns())


@app.command()
def check(
    config: Annotated[Path, typer.Argument(help="The configuration to check.", metavar="CONFIG.toml")],
    *,
    connect: Annotated[
        bool,
        typer.Option(
            "--connect",
            help="Also start every feed and sink, and report how each did; not while the station is running.",
        ),
    ] = False,
    show_body: Annotated[
        bool,
        typer.Option(
            "--show-body",
            help="With --connect: show what the server wrote when something is wrong; it may contain your secrets.",
        ),
    ] = False,
) -> int:
    """Explain every mistake in a configuration, or print its next bar closes.

    Example: closewatch check watch.toml --connect
    """
    if show_body and not connect:
        raise typer.BadParameter("--show-body shows the answers of servers: give --connect too")
    from scanner.commands.station import check as command  # noqa: PLC0415 - heavy, and not needed for --help

    return command.run(config, os.environ, time.time_ns(), connect=connect, show_body=show_body)


@app.command("send-test")
def send_test(
    config: ConfigFile,
    sink: Annotated[str | None, typer.Option(help="The sink to try. Default: all.", metavar="NAME")] = None,
) -> int:
    """Send an example, marked «TEST — invented», to each sink, and say which did not accept it.

    Not while the station is running. Example: closewatch send-test watch.toml --sink phone
    """
    from scanner.commands.messages import send_test as command  # noqa: PLC0415 - heavy, and not needed for --help

    return command.run(config, os.environ, sink)


@app.command()
def new(
    config: Annotated[Path, typer.Argument(help="The file to write; it must not exist yet.", metavar="CONFIG.toml")],
) -> int:
    """Ask six questions and write a first configuration.

    Example: closewatch new watch.toml
    """
    from scanner.commands.new import run as command  # noqa: PLC0415 - heavy, and not needed for --help

    return command.run(config)
