"""The words of ``closewatch outbox``; the work is imported when a command runs."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

if TYPE_CHECKING:
    from scanner.commands.which_store import Choice

app = typer.Typer(
    help="""See what still has to reach a sink or was refused for good, and try it again or give it up.

    Works beside a running station, which notices within seconds.""",
    no_args_is_help=True,
    rich_markup_mode="markdown",
)

ConfigFile = Annotated[
    Path | None,
    typer.Option("--config", help="The configuration of the station whose outbox it is.", metavar="CONFIG.toml"),
]
StoreFile = Annotated[Path | None, typer.Option("--store", help="Or the store itself.", metavar="FILE.db")]
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
        typer.Option(help="Only deliveries in this state. Without it, those waiting and those dead."),
    ] = None,
    sink: Annotated[str | None, typer.Option(help="Only deliveries to this sink.", metavar="NAME")] = None,
) -> None:
    """List deliveries that wait and those that a sink has refused for good.

    Example: closewatch outbox list --config station.toml --state dead
    """
    from scanner.commands import outbox as command  # noqa: PLC0415 - not needed for --help

    command.show(_choice(config, store), ["waiting", "dead"] if state is None else [state], sink)


@app.command()
def retry(numbers: Numbers = None, config: ConfigFile = None, store: StoreFile = None, every: AllDead = False) -> None:
    """Try deliveries again at once.

    Example: closewatch outbox retry 17 18 --config station.toml
    """
    from scanner.commands import outbox as command  # noqa: PLC0415 - as above

    command.retry(_choice(config, store), numbers or [], every=every)


@app.command()
def drop(numbers: Numbers = None, config: ConfigFile = None, store: StoreFile = None, every: AllDead = False) -> None:
    """Give deliveries up; they stay on record as dropped, and can be tried again.

    Example: closewatch outbox drop --all --config station.toml
    """
    from scanner.commands import outbox as command  # noqa: PLC0415 - as above

    command.drop(_choice(config, store), numbers or [], every=every)


def _choice(config: Path | None, store: Path | None) -> Choice:
    from scanner.commands.which_store import choose  # noqa: PLC0415 - as above

    return choose(config, store, "whose outbox it is")
