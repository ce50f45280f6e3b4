"""The command ``closewatch``. It only parses the command line; each command imports its work when it runs."""

from __future__ import annotations

import os
import re
import sys
import time
from decimal import Decimal, InvalidOperation
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from scanner.commands.journal import decide_words, journal_words
from scanner.commands.station import outbox_words, store_words

if TYPE_CHECKING:
    from scanner.replays.recordings import Reading

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
app.add_typer(outbox_words.app, name="outbox")
app.add_typer(store_words.app, name="store")
app.add_typer(decide_words.app)
app.add_typer(journal_words.app)

Files = Annotated[
    list[Path],
    typer.Argument(
        help="Files of bars: CSV (plain or gzip), JSON lines, Parquet or workbooks, or folders of them.",
        metavar="FILE…",
    ),
]
Tz = Annotated[str, typer.Option(help="Time zone for times without one, and for the times shown.", metavar="ZONE")]
Stamp = Annotated[Literal["open", "close"], typer.Option(help="Whether a bar's time is its open or its close.")]
TimeFormat = Annotated[
    str | None, typer.Option(help="How times are written, where the file does not make it clear.", metavar="%m/%d/%Y")
]
ColumnNames = Annotated[
    list[str] | None,
    typer.Option(
        "--columns",
        help="Which column is which, where their names do not make it clear: time, open, high, low, close, volume or "
        "symbol, and the name of the column or, without a header, its number.",
        metavar="time=NAME,…",
    ),
]
DecimalMark = Annotated[
    Literal[".", ","] | None,
    typer.Option("--decimal", help="The decimal mark, where the numbers do not make it clear."),
]
CalendarName = Annotated[
    str,
    typer.Option(
        "--calendar",
        help="Sessions of the instruments: an exchange's ISO code such as XNYS, `24/7`, `24/5`, "
        "or `none` if unknown; missing bars then go unnoticed.",
        metavar="NAME",
    ),
]
Step = Annotated[str | None, typer.Option(help="Price step, e.g. 0.01. Default: estimated from the warm-up bars.")]
TimeframeName = Annotated[
    list[str] | None,
    typer.Option(
        "--timeframe", help="Timeframe to look at, 1m … 1w; repeat for more. Default: the file's.", metavar="TF"
    ),
]
Equity = Annotated[str | None, typer.Option(help="Money in the account; each setup then shows a size at 1 % risk.")]
CurrencyCode = Annotated[
    str | None,
    typer.Option(
        "--currency",
        help="Currency of the equity, and of prices whose currency no configuration gives, such as EUR.",
        metavar="CODE",
    ),
]

AsOf = Annotated[
    str | None,
    typer.Option("--as-of", help="Leave out bars that close after this moment. Default: now.", metavar="TIME"),
]
ConfigFile = Annotated[
    Path | None,
    typer.Option(
        "--config",
        help="Configuration with the instruments, rules and account to use; files are matched by instrument name.",
        metavar="CONFIG.toml",
    ),
]


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


def _number(text: str | None, option: str) -> Decimal | None:
    if text is None:
        return None
    try:
        value = Decimal(text)
    except InvalidOperation:
        value = Decimal(0)
    if not value.is_finite() or value <= 0:
        raise typer.BadParameter(f"{option} takes a number above 0, not {text!r}.")
    return value


def _currency(text: str) -> str:
    code = text.upper()
    if not re.fullmatch("[A-Z]{3}", code):
        raise typer.BadParameter(f"--currency takes three letters (ISO 4217) such as EUR, not {text!r}.")
    return code


@app.command()
def replay(
    files: Files,
    timeframe: TimeframeName = None,
    events: Annotated[
        str | None,
        typer.Option(
            help="Write each event as a line of JSON to this file; `-` is standard output.", metavar="OUT.jsonl"
        ),
    ] = None,
    tz: Tz = "UTC",
    stamp: Stamp = "open",
    time_format: TimeFormat = None,
    columns: ColumnNames = None,
    decimal: DecimalMark = None,
    calendar: CalendarName = "none",
    step: Step = None,
    equity: Equity = None,
    currency: CurrencyCode = None,
    config: ConfigFile = None,
    as_of: AsOf = None,
    strict: Annotated[bool, typer.Option("--strict", help="Stop at the first refused row.")] = False,
) -> int:
    """Show every setup in recorded bars, with its levels.

    Example: closewatch replay prices.csv.gz --timeframe 1h --calendar XNYS --events found.jsonl
    """
    from scanner.commands.recorded import replay as command  # noqa: PLC0415 - heavy, and not needed for --help

    return command.run(
        files,
        _reading(
            tz, stamp, time_format, columns, decimal, calendar, step, timeframe or [], equity, currency, config, as_of
        ),
        events,
        strict=strict,
    )


@app.command("import")
def import_bars(
    files: Files,
    out: Annotated[
        Path | None,
        typer.Option(help="Write the bars to this file, which every other command can read.", metavar="BARS.parquet"),
    ] = None,
    tz: Tz = "UTC",
    stamp: Stamp = "open",
    time_format: TimeFormat = None,
    columns: ColumnNames = None,
    decimal: DecimalMark = None,
    calendar: CalendarName = "none",
) -> int:
    """Show how files are read (columns, zone, decimal mark, timeframe, first bars), and write clean bars.

    Example: closewatch import kurse.xlsx --out kurse.parquet
    """
    from scanner.commands.recorded import import_bars as command  # noqa: PLC0415 - heavy, and not needed for --help

    reading = _reading(tz, stamp, time_format, columns, decimal, calendar, None, [], None, None, None, None)
    return command.run(files, reading, out)


@app.command()
def study(
    files: Files,
    out: Annotated[
        Path,
        typer.Option(
            help="Folder for the tables and the progress; run the same command again to resume.", metavar="DIR"
        ),
    ] = Path("study"),
    workers: Annotated[
        int, typer.Option(help="Number of processes; 0 means one for each core.", min=0, metavar="N")
    ] = 0,
    cluster: Annotated[
        str,
        typer.Option(help="Work on an existing Dask cluster instead, by its scheduler's address.", metavar="ADDRESS"),
    ] = "",
    seed: Annotated[int, typer.Option(help="Seed of the random draws.", metavar="N")] = 0,
    register: Annotated[
        str | None,
        typer.Option(
            help="Only record a hypothesis of this name, beside the bars; later studies test it on later bars only.",
            metavar="NAME",
        ),
    ] = None,
    where: Annotated[
        list[str] | None,
        typer.Option(
            help="With --register: which setups it is about, such as direction=long or timeframe=1d; repeat for more. "
            "Default: all.",
            metavar="COLUMN=VALUE",
        ),
    ] = None,
    keep: Annotated[
        bool,
        typer.Option(
            "--keep",
            help="Save the results of each kind of setup beside the store of --config; alerts then end with them.",
        ),
    ] = False,
    timeframe: TimeframeName = None,
    tz: Tz = "UTC",
    stamp: Stamp = "open",
    time_format: TimeFormat = None,
    columns: ColumnNames = None,
    decimal: DecimalMark = None,
    calendar: CalendarName = "none",
    step: Step = None,
    config: ConfigFile = None,
    as_of: AsOf = None,
) -> int:
    """Study how setups performed on recorded bars, compared with random bars and with other rules.

    Example: closewatch study bars/ --config watch.toml --out study
    """
    if where and register is None:
        raise typer.BadParameter("--where narrows a hypothesis: give --register NAME too")
    if keep and register is not None:
        raise typer.BadParameter("--register looks at no results, so there is nothing to keep: leave --keep out")
    if keep and config is None:
        raise typer.BadParameter("--keep saves its table beside the store of a configuration: give --config too")
    from scanner.commands.study import register as registering  # noqa: PLC0415 - heavy, and not needed for --help
    from scanner.commands.study import study as command  # noqa: PLC0415 - as above
    from scanner.studies.collecting import Asked  # noqa: PLC0415 - as above
    from scanner.studies.running import How  # noqa: PLC0415 - as above

    reading = _reading(
        tz, stamp, time_format, columns, decimal, calendar, step, timeframe or [], None, None, config, as_of
    )
    by = "" if config is None else config.name
    if register is not None:
        registering.run(files, reading, register, where or [], by, time.time_ns())
        return 0
    how = How(out, workers, cluster)
    return command.run(files, reading, Asked(seed=seed), how, by, time.time_ns(), keep=keep)


@app.command()
def explain(
    files: Files,
    at: Annotated[str, typer.Option(help="The bar: a day, or the time of its close.", metavar="TIME")],
    timeframe: TimeframeName = None,
    instrument: Annotated[
        str | None, typer.Option(help="Which instrument, if the files hold several.", metavar="NAME")
    ] = None,
    tz: Tz = "UTC",
    stamp: Stamp = "open",
    time_format: TimeFormat = None,
    columns: ColumnNames = None,
    decimal: DecimalMark = None,
    calendar: CalendarName = "none",
    step: Step = None,
    equity: Equity = None,
    currency: CurrencyCode = None,
    config: ConfigFile = None,
    as_of: AsOf = None,
) -> None:
    """Explain why there was, or was not, a setup at a bar: each rule with its figures.

    Example: closewatch explain prices.csv.gz --at 2024-03-18T15:30
    """
    from scanner.commands.recorded import explain as command  # noqa: PLC0415 - heavy, and not needed for --help

    command.run(
        files,
        _reading(
            tz, stamp, time_format, columns, decimal, calendar, step, timeframe or [], equity, currency, config, as_of
        ),
        at,
        instrument,
    )


@app.command()
def watch(
    config: Annotated[Path, typer.Argument(help="The configuration of the station.", metavar="CONFIG.toml")],
) -> None:
    """Watch the instruments of a configuration unattended, and report every setup at its bar close.

    Example: closewatch watch config/demo.toml, which plays a day of the demo feed as if it were live.
    """
    from scanner.commands.station import watch as command  # noqa: PLC0415 - heavy, and not needed for --help
    from scanner.page.serving import beside  # noqa: PLC0415 - as above

    command.run(config, beside)


@app.command()
def page(
    config: Annotated[Path, typer.Argument(help="The configuration of the station.", metavar="CONFIG.toml")],
    port: Annotated[
        int | None,
        typer.Option(
            help="Port to serve it on, where it is another than that of [page].", min=1, max=65_535, metavar="PORT"
        ),
    ] = None,
    set_password: Annotated[
        bool,
        typer.Option(
            "--set-password", help="Only ask for a password, and leave it hashed in the file that [page] has."
        ),
    ] = False,
) -> None:
    """Serve a page for your browser: what is open, what is near, why not, and the journal.

    From the store alone, beside the running station and when none runs. Only this machine reaches it, unless [page]
    says otherwise. Example: closewatch page config/demo.toml
    """
    from scanner.page import command  # noqa: PLC0415 - heavy, and not needed for --help

    if set_password:
        command.set_password(config)
    else:
        command.run(config, port)


@app.command()
def status(
    config: Annotated[Path, typer.Argument(help="The configuration of the station.", metavar="CONFIG.toml")],
) -> None:
    """Show the state of a station: last bars, lags, what is warm, next closes and pending deliveries.

    Works whether or not the station is running. Example: closewatch status watch.toml
    """
    from scanner.commands.station import status as command  # noqa: PLC0415 - heavy, and not needed for --help

    command.run(config, os.environ, time.time_ns())


@app.command()
def demo() -> None:
    """Run two years of an invented exchange through the engine and show what it finds."""
    from scanner.commands.recorded import demo as command  # noqa: PLC0415 - heavy, and not needed for --help

    command.run()


@app.command()
def chart(
    files: Files,
    at: Annotated[str, typer.Option(help="The bar: a day, or the time of its close.", metavar="TIME")],
    out: Annotated[
        Path | None,
        typer.Option(
            help="Picture to write, .png or .svg. Default: a file in this folder, named after the bar.",
            metavar="PICTURE",
        ),
    ] = None,
    to_the_end: Annotated[
        bool,
        typer.Option(
            "--to-the-end",
            help="Draw how the setup there went on: its entry, the path of its stop, and its end, in R.",
        ),
    ] = False,
    timeframe: TimeframeName = None,
    instrument: Annotated[
        str | None, typer.Option(help="Which instrument, if the files hold several.", metavar="NAME")
    ] = None,
    tz: Tz = "UTC",
    stamp: Stamp = "open",
    time_format: TimeFormat = None,
    columns: ColumnNames = None,
    decimal: DecimalMark = None,
    calendar: CalendarName = "none",
    step: Step = None,
    equity: Equity = None,
    currency: CurrencyCode = None,
    config: ConfigFile = None,
    as_of: AsOf = None,
) -> None:
    """Draw the bars up to a given one, with the setup found there and its levels.

    Example: closewatch chart prices.csv.gz --at 2024-03-18T15:30 --out found.png
    """
    from scanner.commands.recorded import chart as command  # noqa: PLC0415 - heavy, and not needed for --help

    command.run(
        files,
        _reading(
            tz, stamp, time_format, columns, decimal, calendar, step, timeframe or [], equity, currency, config, as_of
        ),
        at,
        instrument,
        out,
        to_the_end=to_the_end,
    )


@app.command()
def check(
    config: Annotated[Path, typer.Argument(help="The configuration to look at.", metavar="CONFIG.toml")],
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
    config: Annotated[Path, typer.Argument(help="The configuration of the station.", metavar="CONFIG.toml")],
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
    from scanner.commands import contract as command  # noqa: PLC0415 - heavy, and not needed for --help

    command.run(what)


def _reading(
    tz: str,
    stamp: Literal["open", "close"],
    time_format: str | None,
    columns: list[str] | None,
    decimal: Literal[".", ","] | None,
    calendar: str,
    step: str | None,
    timeframes: list[str],
    equity: str | None,
    currency: str | None,
    config: Path | None,
    as_of: str | None,
) -> Reading:
    from scanner.commands.recorded.one_bar import parse_moment  # noqa: PLC0415 - heavy, and not needed for --help
    from scanner.replays.recordings import Reading, named_columns  # noqa: PLC0415 - heavy, and not needed for --help
    from scanner.trade.rulebook import Rulebook  # noqa: PLC0415 - as above
    from scanner.trade.size import Account  # noqa: PLC0415 - as above

    known = None
    if config is not None:
        from scanner.configuration.model import settings  # noqa: PLC0415 - as above

        known = settings.load(config)
    account = Account() if known is None else known.account
    if equity is not None:
        account = account.model_copy(update={"equity": _number(equity, "--equity")})
    if currency is not None:
        code = _currency(currency)
        if account.currency not in {"", code}:
            raise typer.BadParameter(
                f"--currency {code} is not the currency of the account in {config}, {account.currency}; leave it out."
            )
        account = account.model_copy(update={"currency": code})
    return Reading(
        tz=tz,
        stamp=stamp,
        time_format=time_format,
        columns=named_columns(columns or []),
        decimal=decimal,
        calendar=calendar,
        step=_number(step, "--step"),
        timeframes=tuple(timeframes),
        settings=known,
        rulebook=Rulebook() if known is None else known.rulebook_of(),
        account=account,
        currency=account.currency if currency is not None else "",
        until=time.time_ns() if as_of is None else parse_moment(as_of, tz, "--as-of"),
    )


def main() -> None:
    """Run the command line; every expected error is one sentence and an exit code, never a traceback."""
    from scanner.commands.trouble import run_guarded, stop_at_sigterm  # noqa: PLC0415 - not needed to parse the command line

    stop_at_sigterm()
    sys.exit(run_guarded(app))
