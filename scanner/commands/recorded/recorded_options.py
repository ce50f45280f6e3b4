"""The options of the commands on recorded bars; the work is imported when a command runs."""

from __future__ import annotations

from pathlib import Path  # noqa: TC003 - the parser of the command line reads the annotations
from typing import TYPE_CHECKING, Annotated

import typer

from scanner.commands.recorded.reading_options import Files, reads_files

if TYPE_CHECKING:
    from scanner.replays.recordings import Reading

app = typer.Typer(rich_markup_mode="markdown")

At = Annotated[str, typer.Option(help="The bar: a day, or the time of its close.", metavar="TIME")]
InstrumentName = Annotated[
    str | None, typer.Option(help="Which instrument, if the files hold several.", metavar="NAME")
]


@app.command()
@reads_files()
def replay(
    files: Files,
    reading: Reading,
    events: Annotated[
        str | None,
        typer.Option(
            help="Write each event as a line of JSON to this file; `-` is standard output.", metavar="OUT.jsonl"
        ),
    ] = None,
    *,
    strict: Annotated[bool, typer.Option("--strict", help="Stop at the first refused row.")] = False,
) -> int:
    """Show every setup in recorded bars, with its levels.

    Example: closewatch replay prices.csv.gz --timeframe 1h --calendar XNYS --events found.jsonl
    """
    from scanner.commands.recorded import replay as command  # noqa: PLC0415 - heavy, and not needed for --help

    return command.run(files, reading, events, strict=strict)


@app.command("import")
@reads_files("timeframe", "step", "equity", "currency", "config", "as_of")
def import_bars(
    files: Files,
    reading: Reading,
    out: Annotated[
        Path | None,
        typer.Option(help="Write the bars to this file, which every other command can read.", metavar="BARS.parquet"),
    ] = None,
) -> int:
    """Show how files are read (columns, zone, decimal mark, timeframe, first bars), and write clean bars.

    Example: closewatch import kurse.xlsx --out kurse.parquet
    """
    from scanner.commands.recorded import import_bars as command  # noqa: PLC0415 - heavy, and not needed for --help

    return command.run(files, reading, out)


@app.command()
@reads_files()
def explain(files: Files, reading: Reading, at: At, instrument: InstrumentName = None) -> None:
    """Explain why there was, or was not, a setup at a bar: each rule with its figures.

    Example: closewatch explain prices.csv.gz --at 2024-03-18T15:30
    """
    from scanner.commands.recorded import explain as command  # noqa: PLC0415 - heavy, and not needed for --help

    command.run(files, reading, at, instrument)


@app.command()
@reads_files()
def chart(
    files: Files,
    reading: Reading,
    at: At,
    out: Annotated[
        Path | None,
        typer.Option(
            help="Picture to write, .png or .svg. Default: a file in this folder, named after the bar.",
            metavar="PICTURE",
        ),
    ] = None,
    *,
    to_the_end: Annotated[
        bool,
        typer.Option(
            "--to-the-end",
            help="Draw the whole story of the setup: its entry, the path of its stop, and its end, in R.",
        ),
    ] = False,
    instrument: InstrumentName = None,
) -> None:
    """Draw the bars up to a given one, with the setup found there and its levels.

    Example: closewatch chart prices.csv.gz --at 2024-03-18T15:30 --out found.png
    """
    from scanner.commands.recorded import chart as command  # noqa: PLC0415 - heavy, and not needed for --help

    command.run(files, reading, at, instrument, out, to_the_end=to_the_end)


@app.command()
def demo() -> None:
    """Run two years of an invented exchange through the engine and show what it finds."""
    from scanner.commands.recorded import demo as command  # noqa: PLC0415 - heavy, and not needed for --help

    command.run()


@app.command()
def setups(
    name: Annotated[
        str | None, typer.Argument(help="The setup to explain. Default: list all.", metavar="[NAME]")
    ] = None,
    config: Annotated[
        Path | None,
        typer.Option("--config", help="Configuration whose setups and settings to show.", metavar="CONFIG.toml"),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(
            help="Picture of an example to write, .png or .svg. Default: NAME.png in this folder.", metavar="PICTURE"
        ),
    ] = None,
) -> None:
    """List the available setups, or explain one, with an example from the demo feed.

    Example: closewatch setups two_steps --config config/watch.own_setup.example.toml
    """
    from scanner.commands.recorded import setups as command  # noqa: PLC0415 - heavy, and not needed for --help

    command.run(name, config, out)
