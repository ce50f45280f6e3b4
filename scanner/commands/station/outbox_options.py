"""The options of ``closewatch outbox``; the work is imported when a command runs."""

from __future__ import annotations

from typing import Annotated, Literal

import typer

from scanner.commands.station.which_store import ConfigFile, StoreFile, choose

app = typer.Typer(
    help="""See what is waiting for a sink or was refused for good, and retry or drop it.

    Works beside a running station, which reacts within seconds.""",
    no_args_is_help=True,
    rich_markup_mode="markdown",
)

Numbers = Annotated[
    list[int] | None, typer.Argument(help="Numbers of deliveries, as `list` gives them.", metavar="NUMBER…")
]
AllDead = Annotated[bool, typer.Option("--all", help="All that were refused for good.")]


@app.command("list")
def list_(
    config: ConfigFile = None,
    store: StoreFile = None,
    state: Annotated[
        Literal["waiting", "dead", "delivered", "dropped"] | None,
        typer.Option(help="Only deliveries in this state; dead ones were refused for good. Default: waiting and dead."),
    ] = None,
    sink: Annotated[str | None, typer.Option(help="Only deliveries to this sink.", metavar="NAME")] = None,
) -> None:
    """List the deliveries that are waiting, and those that a sink refused for good.

    Example: closewatch outbox list --config watch.toml --state dead
    """
    from scanner.commands.station import outbox as command  # noqa: PLC0415 - not needed for --help

    command.show(choose(config, store), ["waiting", "dead"] if state is None else [state], sink)


@app.command()
def retry(numbers: Numbers = None, config: ConfigFile = None, store: StoreFile = None, every: AllDead = False) -> None:
    """Retry deliveries at once.

    Example: closewatch outbox retry 17 18 --config watch.toml
    """
    from scanner.commands.station import outbox as command  # noqa: PLC0415 - as above

    command.retry(choose(config, store), numbers or [], every=every)


@app.command()
def drop(numbers: Numbers = None, config: ConfigFile = None, store: StoreFile = None, every: AllDead = False) -> None:
    """Drop deliveries: they are not sent, stay on record, and can be retried.

    Example: closewatch outbox drop --all --config watch.toml
    """
    from scanner.commands.station import outbox as command  # noqa: PLC0415 - as above

    command.drop(choose(config, store), numbers or [], every=every)
