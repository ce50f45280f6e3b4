"""The options of how files of bars are read, which several commands share."""

from __future__ import annotations

import inspect
import re
import time
from decimal import Decimal, InvalidOperation
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from scanner.commands import output
from scanner.cycles import search_seldom

if TYPE_CHECKING:
    from collections.abc import Callable

    from scanner.replays.recordings import Reading

    Command = Callable[..., int | None]

Files = Annotated[
    list[Path],
    typer.Argument(
        help="Files of bars: CSV (plain or gzip), JSON lines, Parquet or workbooks, or folders of them.",
        metavar="FILE…",
    ),
]
ConfigFile = Annotated[
    Path | None,
    typer.Option(
        "--config",
        help="Configuration with the instruments, rules and account to use; files are matched by instrument name.",
        metavar="CONFIG.toml",
    ),
]


def reading_of(
    timeframe: Annotated[
        list[str] | None,
        typer.Option(help="Timeframe to look at, 1m … 1w; repeat for more. Default: the file's.", metavar="TF"),
    ] = None,
    tz: Annotated[
        str, typer.Option(help="Time zone for times without one, and for the times shown.", metavar="ZONE")
    ] = "UTC",
    stamp: Annotated[
        Literal["open", "close"], typer.Option(help="Whether a bar's time is its open or its close.")
    ] = "open",
    time_format: Annotated[
        str | None,
        typer.Option(help="How times are written, where the file does not make it clear.", metavar="%m/%d/%Y"),
    ] = None,
    columns: Annotated[
        list[str] | None,
        typer.Option(
            help="Which column is which, where their names do not make it clear: time, open, high, low, close, volume "
            "or symbol, and the name of the column or, without a header, its number.",
            metavar="time=NAME,…",
        ),
    ] = None,
    decimal: Annotated[
        Literal[".", ","] | None, typer.Option(help="The decimal mark, where the numbers do not make it clear.")
    ] = None,
    calendar: Annotated[
        str,
        typer.Option(
            help="Sessions of the instruments: an exchange's ISO code such as XNYS, `24/7`, `24/5`, or `none` if "
            "unknown; missing bars then go unnoticed.",
            metavar="NAME",
        ),
    ] = "none",
    step: Annotated[
        str | None,
        typer.Option(help="Price step, e.g. 0.01. Default: estimated from the warm-up bars.", metavar="STEP"),
    ] = None,
    equity: Annotated[
        str | None,
        typer.Option(
            help="Money in the account; each setup then shows a size, at 1 % risk unless --config has another.",
            metavar="AMOUNT",
        ),
    ] = None,
    currency: Annotated[
        str | None,
        typer.Option(
            help="Currency of the equity, and of prices whose currency no configuration gives, such as EUR.",
            metavar="CODE",
        ),
    ] = None,
    config: ConfigFile = None,
    as_of: Annotated[
        str | None, typer.Option(help="Leave out bars that close after this moment. Default: now.", metavar="TIME")
    ] = None,
) -> Reading:
    """Put together how files are read, and what a configuration adds to that."""
    from scanner.commands.recorded.one_bar import parse_moment  # noqa: PLC0415 - heavy, and not needed for --help
    from scanner.replays.recordings import Reading, named_columns  # noqa: PLC0415 - as above
    from scanner.trade.rulebook import Rulebook  # noqa: PLC0415 - as above
    from scanner.trade.size import Account  # noqa: PLC0415 - as above

    known = None
    if config is not None:
        from scanner.configuration.hazards import wrong_dates  # noqa: PLC0415 - heavy, and seldom needed
        from scanner.configuration.model.settings import load  # noqa: PLC0415 - heavy, and seldom needed

        known = load(config)
        output.tell(*(each.sentence for each in wrong_dates(known)))
    account = Account() if known is None else known.account
    if equity is not None:
        account = account.model_copy(update={"equity": _number(equity, "--equity")})
    if currency is not None:
        code = currency.upper()
        if not re.fullmatch("[A-Z]{3}", code):
            raise typer.BadParameter(f"--currency takes three letters (ISO 4217) such as EUR, not {currency!r}.")
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
        timeframes=tuple(timeframe or ()),
        settings=known,
        rulebook=Rulebook() if known is None else known.rulebook_of(),
        account=account,
        currency=account.currency if currency is not None else "",
        until=time.time_ns() if as_of is None else parse_moment(as_of, tz, "--as-of"),
    )


def reads_files(*without: str) -> Callable[[Command], Command]:
    """Give a command the options of ``reading_of`` except those named; it receives them as one ``reading``.

    If the command has an option of the same name, both receive it.
    """

    def decorate(command: Command) -> Command:
        own = _parameters(command, "reading")
        shared = {name: each for name, each in OPTIONS.items() if name not in without}

        @wraps(command)
        def run(**given: Any) -> int | None:  # noqa: ANN401 - whatever the options hold
            search_seldom()
            reading = reading_of(**{name: given[name] for name in shared})
            return command(**{name: given[name] for name in own}, reading=reading)

        keywords = [each.replace(kind=inspect.Parameter.KEYWORD_ONLY) for each in {**own, **shared}.values()]
        run.__signature__ = inspect.Signature(keywords)  # type: ignore[attr-defined]  # read by the parser
        run.__annotations__ = {}
        return run

    return decorate


def _parameters(function: Callable[..., object], heavy: str) -> dict[str, inspect.Parameter]:
    """Give the parameters except the ``heavy`` one; the type of that, or of the result, must not be imported here."""
    del function.__annotations__[heavy]
    parameters = inspect.signature(function, eval_str=True).parameters
    return {name: each for name, each in parameters.items() if name != heavy}


OPTIONS = _parameters(reading_of, "return")


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
