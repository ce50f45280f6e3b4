"""The options of the commands about decisions and the journal; the work is imported when a command runs."""

from __future__ import annotations

from pathlib import Path  # noqa: TC003 - the parser of the command line reads the annotations
from typing import Annotated, Literal

import typer

from scanner.commands.station.which_store import ConfigFile, StoreFile, choose

app = typer.Typer(rich_markup_mode="markdown")

Story = Annotated[
    str,
    typer.Argument(
        help="The setup: its instrument, if that has only one open setup, or the first letters of its id, at least "
        "four. If several match, they are listed.",
        metavar="ID",
    ),
]
Price = Annotated[
    str | None, typer.Option("--price", help="Your price; without it, your own R is unknown.", metavar="P")
]
Size = Annotated[str | None, typer.Option("--size", help="Your size. Default: the planned size.", metavar="N")]


@app.command()
def take(
    story: Story,
    price: Price = None,
    size: Size = None,
    note: Annotated[str, typer.Option("--note", help="What you want to remember about it.", metavar="TEXT")] = "",
    config: ConfigFile = None,
    store: StoreFile = None,
) -> None:
    """Record that you took a setup: once, and while its story is open. You can also take one that was set aside.

    Works beside the running station. Until the next bar closes, you can correct a wrong price or size by running it
    again.

    Example: closewatch take GANNET --price 101.40 --size 100 --config watch.toml
    """
    from scanner.commands.journal.decide import decide  # noqa: PLC0415 - not needed for --help

    decide(choose(config, store), story, "take", price=price, size=size, text=note)


@app.command("pass")
def pass_(
    story: Story,
    why: Annotated[str, typer.Option("--why", help="Why you passed it.", metavar="TEXT")] = "",
    config: ConfigFile = None,
    store: StoreFile = None,
) -> None:
    """Record that you passed a setup. You can still take it while its story is open.

    Example: closewatch pass 3f2a --why "a report is due" --config watch.toml
    """
    from scanner.commands.journal.decide import decide  # noqa: PLC0415 - as above

    decide(choose(config, store), story, "pass", text=why)


@app.command()
def leave(
    story: Story,
    price: Price = None,
    config: ConfigFile = None,
    store: StoreFile = None,
) -> None:
    """Record that you left a setup you took, even after its story ended. Without this, the exit by the rules counts.

    Example: closewatch leave GANNET --price 103.05 --config watch.toml
    """
    from scanner.commands.journal.decide import decide  # noqa: PLC0415 - as above

    decide(choose(config, store), story, "leave", price=price, text="")


@app.command()
def note(
    story: Story,
    text: Annotated[str, typer.Argument(help="The note, in quotes.", metavar="TEXT")],
    config: ConfigFile = None,
    store: StoreFile = None,
) -> None:
    """Add a note to a setup, even after its story has ended.

    Example: closewatch note 3f2a "hesitated, and paid for it" --config watch.toml
    """
    from scanner.commands.journal.decide import decide  # noqa: PLC0415 - as above

    decide(choose(config, store), story, "note", text=text)


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
