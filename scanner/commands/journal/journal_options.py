"""The options of ``closewatch journal`` and ``closewatch review``; the work is imported when a command runs."""

from __future__ import annotations

from pathlib import Path  # noqa: TC003 - the parser of the command line reads the annotations
from typing import Annotated, Literal

import typer

from scanner.commands.station.which_store import ConfigFile, StoreFile, choose

app = typer.Typer(rich_markup_mode="markdown")


@app.command()
def journal(
    since: Annotated[str | None, typer.Option(help="Only setups found on this day or later.", metavar="DATE")] = None,
    until: Annotated[str | None, typer.Option(help="Only setups found on this day or earlier.", metavar="DATE")] = None,
    setup: Annotated[
        str | None, typer.Option(help="Only setups of this name, as `closewatch setups` lists them.", metavar="NAME")
    ] = None,
    instrument: Annotated[str | None, typer.Option(help="Only this instrument.", metavar="NAME")] = None,
    taken: Annotated[bool, typer.Option("--taken", help="Only what you took.")] = False,
    passed: Annotated[bool, typer.Option("--passed", help="Only what you passed.")] = False,
    out: Annotated[
        Path | None,
        typer.Option(
            help="File to write instead: `.csv`, `.json`, `.parquet`, or `.html`, a page with charts.",
            metavar="FILE",
        ),
    ] = None,
    config: ConfigFile = None,
    store: StoreFile = None,
) -> None:
    """List the setups found, your decisions, and the outcome of each.

    `R` follows the rules, or your own fill and exit where you gave them in time; `your R` uses your own prices alone.
    Both are before costs. A wide terminal shows more columns, and `--out` all of them.

    Example: closewatch journal --taken --since 2026-03-01 --out taken.html --config watch.toml
    """
    from scanner.commands.journal import journal as command  # noqa: PLC0415 - not needed for --help

    if taken and passed:
        raise typer.BadParameter("--taken and --passed exclude each other: give one of them, or neither for all setups")
    decision: Literal["taken", "passed"] | None = "taken" if taken else "passed" if passed else None
    choice = choose(config, store)
    command.journal(choice, command.Filter(since, until, setup, instrument, decision), out)


@app.command()
def review(
    span: Annotated[
        str,
        typer.Argument(
            help="The 7 or the 30 days up to today, or up to the day of --until.",
            metavar="week|month",
            show_default=False,
        ),
    ],
    until: Annotated[str | None, typer.Option(help="The last day, included. Default: today.", metavar="DATE")] = None,
    config: ConfigFile = None,
    store: StoreFile = None,
) -> None:
    """Sum up a week or a month: what you took and passed, the results of both, and the rules you broke.

    Example: closewatch review month --until 2026-03-31 --config watch.toml
    """
    from scanner.commands.journal import journal as command  # noqa: PLC0415 - as above

    command.review(choose(config, store), span, until)
