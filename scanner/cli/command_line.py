"""The command line of ``closewatch``, which is only parsed here; each command imports its work when it runs."""

from __future__ import annotations

from typing import Annotated, Literal

import typer

from scanner.commands.journal import journal_options
from scanner.commands.recorded import recorded_options
from scanner.commands.station import outbox_options, station_options, store_options
from scanner.commands.station.station_options import ConfigFile  # noqa: TC001 - the parser of the command line reads the annotations
from scanner.commands.study import study_options

CONTRACTS = {"schema": "events.schema.json", "asyncapi": "asyncapi.json"}
"""The documents of the contract for other programs, as shipped with this version."""

app = typer.Typer(
    help="""Watch bar closes for setups; show the entry, the stop and the size of each.

    Start with `closewatch demo`, then run `closewatch replay FILE` on your own bars.

    Nothing here is advice, and past results prove nothing about the future.""",
    no_args_is_help=True,
    context_settings={"help_option_names": ["-h", "--help"]},
    add_completion=False,
    rich_markup_mode="markdown",
    pretty_exceptions_enable=False,
)
app.add_typer(recorded_options.app)
app.add_typer(study_options.app)
app.add_typer(station_options.app)
app.add_typer(journal_options.app)
app.add_typer(outbox_options.app, name="outbox")
app.add_typer(store_options.app, name="store")


def _say_version(*, wanted: bool) -> None:
    if wanted:
        from importlib.metadata import version  # noqa: PLC0415 - seldom needed

        typer.echo(f"closewatch {version('closewatch')}")
        raise typer.Exit


@app.callback()
def _common(
    *,
    version: Annotated[
        bool, typer.Option("--version", callback=_say_version, is_eager=True, help="Show the version.")
    ] = False,
) -> None:
    """Take the options before the command."""


@app.command()
def watch(config: ConfigFile) -> None:
    """Watch the instruments of a configuration unattended, and report every setup at its bar close.

    Example: closewatch watch config/demo.toml, which plays a day of the demo feed as if it were live.
    """
    from scanner.commands.station import watch as command  # noqa: PLC0415 - heavy, and not needed for --help
    from scanner.page.serving import beside  # noqa: PLC0415 - as above

    command.run(config, beside)


@app.command()
def page(
    config: ConfigFile,
    port: Annotated[
        int | None,
        typer.Option(help="Port to serve it on, if not that of [page].", min=1, max=65_535, metavar="PORT"),
    ] = None,
    *,
    set_password: Annotated[
        bool,
        typer.Option(
            "--set-password", help="Only ask for a password, and save it hashed in the file that [page] names."
        ),
    ] = False,
) -> None:
    """Serve a page for your browser: what is open, what is near, why a bar gave no setup, and the journal.

    It needs only the store, and works whether or not the station is running. Only this machine can reach it, unless
    [page] says otherwise. Example: closewatch page config/demo.toml
    """
    from scanner.page import command  # noqa: PLC0415 - heavy, and not needed for --help

    if set_password:
        command.set_password(config)
    else:
        command.run(config, port)


@app.command()
def contract(
    what: Annotated[
        Literal["schema", "asyncapi"],
        typer.Argument(help="The JSON Schema of the events, or the AsyncAPI document of the MQTT topics."),
    ] = "schema",
) -> None:
    """Print the contract for other programs: the format of events, and where they are published.

    Example: closewatch contract asyncapi > asyncapi.json
    """
    from importlib.resources import files  # noqa: PLC0415 - slow to load, and not needed for --help

    from scanner.commands import output  # noqa: PLC0415 - as above

    output.say(files("scanner").joinpath("contract", CONTRACTS[what]).read_text("utf-8").rstrip("\n"))
