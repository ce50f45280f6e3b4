"""The command ``closewatch``. Only words are read here; the work is imported when a command runs."""

from __future__ import annotations

import os
import re
import sys
import time
from decimal import Decimal, InvalidOperation
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from scanner.commands import decide_words, journal_words, outbox_words, store_words

if TYPE_CHECKING:
    from scanner.recordings import Reading

app = typer.Typer(
    help="""Watch bar closes for setups and say where to enter, where the idea is wrong and how much to risk.

    Begin with `closewatch demo`; then `closewatch replay FILE` with bars of your own.

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
Tz = Annotated[str, typer.Option(help="Time zone of times that name none, and of the times shown.", metavar="ZONE")]
Stamp = Annotated[Literal["open", "close"], typer.Option(help="Whether a bar's time is its open or its close.")]
TimeFormat = Annotated[
    str | None, typer.Option(help="How times are written, where the file does not tell.", metavar="%m/%d/%Y")
]
ColumnNames = Annotated[
    list[str] | None,
    typer.Option(
        "--columns",
        help="Which columns are which, where their names do not tell: time, open, high, low, close, volume or symbol, "
        "and the name or, without a header, the number of the column.",
        metavar="time=NAME,…",
    ),
]
DecimalMark = Annotated[
    Literal[".", ","] | None, typer.Option("--decimal", help="The decimal mark, where the numbers do not tell.")
]
CalendarName = Annotated[
    str,
    typer.Option(
        "--calendar",
        help="Sessions of the instruments: an exchange's ISO code such as XNYS, `24/7`, `24/5`, "
        "or `none` where they are not known; then a missing bar cannot be noticed.",
        metavar="NAME",
    ),
]
Step = Annotated[
    str | None, typer.Option(help="Price step, e.g. 0.01. Without it, guessed from the bars of the warm-up.")
]
TimeframeName = Annotated[
    list[str] | None,
    typer.Option(
        "--timeframe", help="Timeframe to look at, 1m … 1w; again for more. Without it, that of the file.", metavar="TF"
    ),
]
Equity = Annotated[str | None, typer.Option(help="Money in the account; with it, a size is given at 1 % risk.")]
CurrencyCode = Annotated[
    str | None,
    typer.Option(
        "--currency",
        help="Currency of the equity, and of prices of which no configuration tells it, such as EUR.",
        metavar="CODE",
    ),
]

AsOf = Annotated[
    str | None,
    typer.Option("--as-of", help="Leave out bars that go on after this moment; now, unless said.", metavar="TIME"),
]
ConfigFile = Annotated[
    Path | None,
    typer.Option(
        "--config",
        help="Configuration whose instruments, rules and account to use; files are matched by instrument name.",
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
        bool, typer.Option("--version", callback=_say_version, is_eager=True, help="Say which version this is.")
    ] = False,
) -> None:
    """Take the options that stand before any command."""


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
        typer.Option(help="Write each event as a line of JSON to this file, or to `-`.", metavar="OUT.jsonl"),
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
    strict: Annotated[bool, typer.Option("--strict", help="Stop at the first row that is refused.")] = False,
) -> int:
    """Show every moment in recorded bars at which a setup stood, with its levels.

    Example: closewatch replay prices.csv.gz --timeframe 1h --calendar XNYS --events found.jsonl
    """
    from scanner.commands import replay as command  # noqa: PLC0415 - heavy, and not needed for --help

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
        Path | None, typer.Option(help="Write the bars to this file, for every other command.", metavar="BARS.parquet")
    ] = None,
    tz: Tz = "UTC",
    stamp: Stamp = "open",
    time_format: TimeFormat = None,
    columns: ColumnNames = None,
    decimal: DecimalMark = None,
    calendar: CalendarName = "none",
) -> int:
    """Show what is understood of files: columns, zone, decimal mark, timeframe, the first bars; and write clean bars.

    Example: closewatch import kurse.xlsx --out kurse.parquet
    """
    from scanner.commands import import_bars as command  # noqa: PLC0415 - heavy, and not needed for --help

    reading = _reading(tz, stamp, time_format, columns, decimal, calendar, None, [], None, None, None, None)
    return command.run(files, reading, out)


@app.command()
def study(
    files: Files,
    out: Annotated[
        Path,
        typer.Option(help="Folder for tables, and for what was done so far; the same command goes on.", metavar="DIR"),
    ] = Path("study"),
    workers: Annotated[
        int, typer.Option(help="Processes to work with; 0 for as many as there are cores.", min=0, metavar="N")
    ] = 0,
    cluster: Annotated[
        str,
        typer.Option(help="Work on an existing Dask cluster instead, by its scheduler's address.", metavar="ADDRESS"),
    ] = "",
    seed: Annotated[int, typer.Option(help="What random draws begin with.", metavar="N")] = 0,
    register: Annotated[
        str | None,
        typer.Option(
            help="Only write a hypothesis of this name down, beside the bars; later studies judge it on bars that "
            "came after, and on no others.",
            metavar="NAME",
        ),
    ] = None,
    where: Annotated[
        list[str] | None,
        typer.Option(
            help="With --register: which setups it is about, such as direction=long or timeframe=1d; again for "
            "more. Without it, all.",
            metavar="COLUMN=VALUE",
        ),
    ] = None,
    keep: Annotated[
        bool,
        typer.Option(
            "--keep",
            help="Leave what each kind of setup came to beside the store of --config; alerts end with it from then on.",
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
    """Study what setups came to on recorded bars, beside random bars and beside other rules.

    Example: closewatch study bars/ --config watch.toml --out study
    """
    if where and register is None:
        raise typer.BadParameter("--where says which setups a hypothesis is about: give --register NAME too")
    if keep and register is not None:
        raise typer.BadParameter("--register looks at nothing that could be kept: leave --keep out")
    if keep and config is None:
        raise typer.BadParameter("--keep leaves its table beside the store of a configuration: give --config too")
    from scanner.commands import register as registering  # noqa: PLC0415 - heavy, and not needed for --help
    from scanner.commands import study as command  # noqa: PLC0415 - as above
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
    at: Annotated[str, typer.Option(help="The bar: a day, or the time at which it closed.", metavar="TIME")],
    timeframe: TimeframeName = None,
    instrument: Annotated[
        str | None, typer.Option(help="Which instrument, where the files hold several.", metavar="NAME")
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
    """Say why there was a setup at a bar, or why there was none: every rule with its number.

    Example: closewatch explain prices.csv.gz --at 2024-03-18T15:30
    """
    from scanner.commands import explain as command  # noqa: PLC0415 - heavy, and not needed for --help

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
    """Watch the list of a configuration unattended, and tell of every setup at its bar close.

    Example: closewatch watch config/demo.toml, which plays a day of the demo feed as if it were live.
    """
    from scanner.commands import watch as command  # noqa: PLC0415 - heavy, and not needed for --help

    command.run(config)


@app.command()
def status(
    config: Annotated[Path, typer.Argument(help="The configuration of the station.", metavar="CONFIG.toml")],
) -> None:
    """Say how a station stands: last bars, lags, what is warm, next closes, and what waits to be delivered.

    Works beside the running station, and when none runs. Example: closewatch status watch.toml
    """
    from scanner.commands import status as command  # noqa: PLC0415 - heavy, and not needed for --help

    command.run(config, os.environ, time.time_ns())


@app.command()
def demo() -> None:
    """Run two years of an invented exchange through the engine and show what it finds."""
    from scanner.commands import demo as command  # noqa: PLC0415 - heavy, and not needed for --help

    command.run()


@app.command()
def chart(
    files: Files,
    at: Annotated[str, typer.Option(help="The bar: a day, or the time at which it closed.", metavar="TIME")],
    out: Annotated[
        Path | None,
        typer.Option(
            help="Picture to write, .png or .svg. Without it, one named after the bar, in this folder.",
            metavar="PICTURE",
        ),
    ] = None,
    to_the_end: Annotated[
        bool,
        typer.Option(
            "--to-the-end",
            help="Draw what became of the setup there: its entry, the way of its stop, and how it ended, in R.",
        ),
    ] = False,
    timeframe: TimeframeName = None,
    instrument: Annotated[
        str | None, typer.Option(help="Which instrument, where the files hold several.", metavar="NAME")
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
    """Draw the bars up to one, with the setup that stood there and its levels.

    Example: closewatch chart prices.csv.gz --at 2024-03-18T15:30 --out found.png
    """
    from scanner.commands import chart as command  # noqa: PLC0415 - heavy, and not needed for --help

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
            help="Also start every feed and sink, and say how each fared; not while the station is running.",
        ),
    ] = False,
    show_body: Annotated[
        bool,
        typer.Option(
            "--show-body",
            help="With --connect: where something is wrong, show what the server wrote; it may repeat your secrets.",
        ),
    ] = False,
) -> int:
    """Explain every mistake in a configuration, or print when its bars close next.

    Example: closewatch check watch.toml --connect
    """
    if show_body and not connect:
        raise typer.BadParameter("--show-body shows what servers answer: give --connect too")
    from scanner.commands import check as command  # noqa: PLC0415 - heavy, and not needed for --help

    return command.run(config, os.environ, time.time_ns(), connect=connect, show_body=show_body)


@app.command("send-test")
def send_test(
    config: Annotated[Path, typer.Argument(help="The configuration of the station.", metavar="CONFIG.toml")],
    sink: Annotated[str | None, typer.Option(help="The sink to try. Without it, every one.", metavar="NAME")] = None,
) -> int:
    """Send an example, marked «TEST — invented», to each sink, and say which did not take it.

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
        str | None, typer.Argument(help="The setup to explain. Without it, all are listed.", metavar="[NAME]")
    ] = None,
    config: Annotated[
        Path | None,
        typer.Option("--config", help="Configuration whose setups and numbers to show.", metavar="CONFIG.toml"),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(
            help="Picture of an example to write, .png or .svg. Without it, NAME.png in this folder.", metavar="PICTURE"
        ),
    ] = None,
) -> None:
    """List the setups that there are, or explain one, with an example drawn from the demo feed.

    Example: closewatch setups two_steps --config config/watch.own_setup.example.toml
    """
    from scanner.commands import setups as command  # noqa: PLC0415 - heavy, and not needed for --help

    command.run(name, config, out)


@app.command()
def contract(
    what: Annotated[
        Literal["schema", "asyncapi"],
        typer.Argument(help="The JSON Schema of the events, or the AsyncAPI document of the MQTT topics."),
    ] = "schema",
) -> None:
    """Print what other programs may rely on: how events are written, and where they are published.

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
    from scanner.commands.one_bar import parse_moment  # noqa: PLC0415 - heavy, and not needed for --help
    from scanner.recordings import Reading, named_columns  # noqa: PLC0415 - heavy, and not needed for --help
    from scanner.trade.rulebook import Rulebook  # noqa: PLC0415 - as above
    from scanner.trade.size import Account  # noqa: PLC0415 - as above

    known = None
    if config is not None:
        from scanner import settings  # noqa: PLC0415 - as above

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
    """Run the command line; every expected trouble is one sentence and an exit code, never a traceback."""
    from scanner.commands.trouble import run_guarded, stop_at_sigterm  # noqa: PLC0415 - not needed to read words

    stop_at_sigterm()
    sys.exit(run_guarded(app))
