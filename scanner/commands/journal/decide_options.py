"""The options of ``closewatch take``, ``pass``, ``leave`` and ``note``; the work is imported when a command runs."""

from __future__ import annotations

from typing import Annotated

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
