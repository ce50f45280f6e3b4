"""Daily bars as text, from many programs, countries and hands."""

from __future__ import annotations

import gzip
import io
import json
from dataclasses import replace
from datetime import UTC, datetime
from decimal import Decimal
from typing import TYPE_CHECKING

import pyarrow as pa
from pyarrow import parquet

from tests.adapters.zoo.animals import (
    FRENCH,
    GERMAN,
    ITALIAN,
    NAME,
    SPANISH,
    Animal,
    Bar,
    Sheet,
    animal,
    apart,
    billions,
    comma,
    days,
    english,
    german,
    millions,
    point,
    table,
)

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import date

PLAIN = Sheet()
LOCAL = Sheet(names=GERMAN, when="%d.%m.%Y", price=german, between=";")
US = Sheet(when="%m/%d/%Y", price=english, quote='"', newest_first=True)
MONTHS = {
    "German": "Januar Februar März April Mai Juni Juli August September Oktober November Dezember",
    "French": "janv. févr. mars avr. mai juin juil. août sept. oct. nov. déc.",
    "Spanish": "ene feb mar abr may jun jul ago sep oct nov dic",
    "Italian": "gen feb mar apr mag giu lug ago set ott nov dic",
}


def named(language: str, form: str = "{0} {1} {2}") -> Callable[[date], str]:
    names = MONTHS[language].split()
    return lambda day: form.format(day.day, names[day.month - 1], day.year)


def epoch(day: date) -> int:
    return int(datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp())


def lakhs(value: float) -> str:
    """Write a price a hundred times as large in the way of India: 1,41,830.00."""
    text = f"{value * 100:.0f}"
    head, tail = text[:-3], text[-3:]
    groups: list[str] = []
    while head:
        head, group = head[:-2], head[-2:]
        groups.insert(0, group)
    return ",".join([*groups, tail]) + ".00"


SHEETS: dict[str, tuple[Sheet, str]] = {
    "plain": (PLAIN, "utf-8"),
    "byte order mark": (PLAIN, "utf-8-sig"),
    "every field in quotes, Windows line ends": (replace(PLAIN, quote='"', end="\r\n"), "utf-8"),
    "German": (LOCAL, "utf-8"),
    "German, Windows-1252": (LOCAL, "cp1252"),
    "German, no thousands": (replace(LOCAL, price=comma), "cp1252"),
    "German, spreadsheet with sep": (replace(LOCAL, above="sep=;\r\n", end="\r\n"), "cp1252"),
    "German, volumes in millions": (replace(LOCAL, volume=lambda v: f"{comma((v or 0) / 1e6)} Mio."), "utf-8"),
    "German, two figures for the year": (replace(LOCAL, when="%d.%m.%y"), "utf-8"),
    "German, names of months": (replace(LOCAL, when=named("German", "{0}. {1} {2}")), "cp1252"),
    "German, UTF-16 with tabs": (replace(LOCAL, between="\t"), "utf-16"),
    "Austrian, vowels in two letters": (
        replace(LOCAL, names=("Datum", "Eroeffnung", "Hoechst", "Tiefst", "Schlusskurs", "Stuecke")),
        "ascii",
    ),
    "UTF-16, big end first": (replace(PLAIN, above="\ufeff"), "utf-16-be"),
    "UTF-16 without a mark": (PLAIN, "utf-16-le"),
    "Swiss, apostrophes": (replace(LOCAL, price=apart("'", ".")), "utf-8"),
    "Swiss, typographic apostrophes": (replace(LOCAL, price=apart("\u2019", ".")), "utf-8"),
    "Swiss, decimal comma": (replace(LOCAL, price=apart("'", ",")), "utf-8"),
    "French, blanks": (Sheet(names=FRENCH, when="%d/%m/%Y", price=apart(" "), between=";"), "utf-8"),
    "French, no-break spaces, Windows-1252": (
        Sheet(names=FRENCH, when="%d/%m/%Y", price=apart("\u00a0"), between=";"),
        "cp1252",
    ),
    "French, narrow no-break spaces": (
        Sheet(names=FRENCH, when="%d/%m/%Y", price=apart("\u202f"), between="\t"),
        "utf-8",
    ),
    "French, names of months": (Sheet(names=FRENCH, when=named("French"), price=comma, between=";"), "utf-8"),
    "Spanish": (Sheet(names=SPANISH, when="%d/%m/%Y", price=german, between=";"), "utf-8"),
    "Spanish, names of months": (Sheet(names=SPANISH, when=named("Spanish"), price=german, between=";"), "cp1252"),
    "Italian": (Sheet(names=ITALIAN, when="%d/%m/%Y", price=german, between=";"), "utf-8"),
    "Italian, names of months": (Sheet(names=ITALIAN, when=named("Italian"), price=german, between=";"), "utf-8"),
    "American": (US, "utf-8"),
    "American, dollars and Close/Last": (
        replace(
            US,
            names=("Date", "Close/Last", "Volume", "Open", "High", "Low"),
            quote="",
            price=lambda value: f"${point(value)}",
            when=lambda day: f"{day:%m/%d/%Y}",
        ),
        "moved",
    ),
    "a change in per cent, Price and Vol., in English": (
        replace(
            US,
            names=("Date", "Price", "Open", "High", "Low", "Vol.", "Change %"),
            order="cohl",
            volume=billions,
            more=lambda _: ("-0.35%",),
        ),
        "utf-8-sig",
    ),
    "the same in German": (
        Sheet(
            names=("Datum", "Zuletzt", "Eröffn.", "Hoch", "Tief", "Vol.", "+/- %"),
            when="%d.%m.%Y",
            price=german,
            order="cohl",
            volume=lambda v: f"{comma((v or 0) / 1e9, 5)}B",
            more=lambda _: ("-0,35%",),
            quote='"',
            newest_first=True,
        ),
        "utf-8-sig",
    ),
    "the same in French": (
        Sheet(
            names=("Date", "Dernier", "Ouv.", " Plus Haut", "Plus Bas", "Vol.", "Variation %"),
            when="%d/%m/%Y",
            price=german,
            order="cohl",
            volume=lambda v: f"{comma((v or 0) / 1e9, 5)}B",
            more=lambda _: ("-0,35%",),
            quote='"',
            newest_first=True,
        ),
        "utf-8",
    ),
    "the same in Spanish": (
        Sheet(
            names=("Fecha", "Último", "Apertura", "Máximo", "Mínimo", "Vol.", "% var."),
            when="%d.%m.%Y",
            price=german,
            order="cohl",
            volume=lambda v: f"{comma((v or 0) / 1e9, 5)}B",
            more=lambda _: ("-0,35%",),
            quote='"',
            newest_first=True,
        ),
        "utf-8",
    ),
    "the same in Italian": (
        Sheet(
            names=("Data", "Ultimo", "Apertura", "Massimo", "Minimo", "Vol.", "Var. %"),
            when="%d.%m.%Y",
            price=german,
            order="cohl",
            volume=lambda v: f"{comma((v or 0) / 1e9, 5)}B",
            more=lambda _: ("-0,35%",),
            quote='"',
            newest_first=True,
        ),
        "utf-8",
    ),
    "euros behind": (replace(LOCAL, price=lambda value: f"{german(value)} €"), "cp1252"),
    "euros before": (replace(LOCAL, price=lambda value: f"€{german(value)}"), "utf-8"),
    "a code before": (replace(PLAIN, price=lambda value: f"USD {point(value)}"), "utf-8"),
    "a code behind": (replace(US, price=lambda value: f"{english(value)} USD"), "utf-8"),
    "bars between": (replace(PLAIN, between="|"), "utf-8"),
    "bars around": (replace(PLAIN, between=" | ", end=" |\n"), "barred"),
    "tabs": (replace(PLAIN, between="\t"), "utf-8"),
    "an odd mark between": (replace(PLAIN, between="^"), "utf-8"),
    "blanks between": (replace(PLAIN, between=" "), "utf-8"),
    "titles above": (
        replace(PLAIN, above="S&P 500, daily, adjusted for nothing\nExported 2009-07-01, 12:00\n\n"),
        "utf-8",
    ),
    "an address above": (replace(PLAIN, above="https://www.example.org/\n", newest_first=True), "utf-8"),
    "the index of pandas without a name": (
        replace(PLAIN, names=("", "open", "high", "low", "close", "volume")),
        "utf-8",
    ),
    "a header of three rows, as of pandas": (
        replace(
            PLAIN,
            names=("Date", "", "", "", "", ""),
            above=f"Price,Close,High,Low,Open,Volume\nTicker,{','.join(['SPX'] * 5)}\n",
            order="chlo",
        ),
        "utf-8",
    ),
    "month first, two figures for the year": (replace(PLAIN, when="%m/%d/%y"), "utf-8"),
    "month first, unpadded": (replace(PLAIN, when=lambda day: f"{day.month}/{day.day}/{day.year}"), "utf-8"),
    "day first with strokes": (replace(PLAIN, when="%d/%m/%Y"), "utf-8"),
    "day first with hyphens": (replace(PLAIN, when="%d-%m-%Y"), "utf-8"),
    "year first with strokes": (replace(PLAIN, when="%Y/%m/%d"), "utf-8"),
    "year first with dots": (replace(PLAIN, when="%Y.%m.%d"), "utf-8"),
    "year first without marks": (replace(PLAIN, when="%Y%m%d"), "utf-8"),
    "year first, unpadded": (replace(PLAIN, when=lambda day: f"{day.year}-{day.month}-{day.day}"), "utf-8"),
    "names of months": (replace(PLAIN, when="%d-%b-%Y"), "utf-8"),
    "names of months, two figures for the year": (replace(PLAIN, when="%d-%b-%y"), "utf-8"),
    "names of months before the day": (replace(US, when="%b %d, %Y"), "utf-8"),
    "names of days": (replace(US, when="%a, %d %b %Y"), "utf-8"),
    "midnights": (replace(PLAIN, when="%Y-%m-%d 00:00:00"), "utf-8"),
    "midnights with a zone": (replace(PLAIN, when="%Y-%m-%dT00:00:00Z"), "utf-8"),
    "seconds since 1970": (
        replace(PLAIN, names=("timestamp", *PLAIN.names[1:]), when=lambda day: str(epoch(day))),
        "utf-8",
    ),
    "milliseconds since 1970, newest first": (
        replace(PLAIN, names=("t", "o", "h", "l", "c", "v"), when=lambda day: f"{epoch(day)}000", newest_first=True),
        "utf-8",
    ),
    "volumes in millions": (replace(US, volume=millions), "utf-8"),
    "an adjusted close as well": (
        replace(PLAIN, names=(*PLAIN.names, "Adj Close"), more=lambda bar: (point(bar.close / 2),)),
        "utf-8",
    ),
    "volumes of coins and of money": (
        replace(
            PLAIN,
            names=("date", "open", "high", "low", "close", "Volume SPX", "Volume USD"),
            more=lambda bar: (point((bar.volume or 0) * bar.close),),
        ),
        "utf-8",
    ),
    "numbers of shares, and money turned over": (
        replace(
            LOCAL,
            names=("Datum", "Erster", "Hoch", "Tief", "Schlusskurs", "Stuecke", "Volumen"),
            more=lambda bar: (german((bar.volume or 0) * bar.close, 0),),
        ),
        "utf-8",
    ),
    "a settlement": (replace(PLAIN, names=("Date", "Open", "High", "Low", "Settle", "Volume")), "utf-8"),
    "a last price": (replace(PLAIN, names=("Trade date", "Open", "High", "Low", "Last", "Shares")), "utf-8"),
    "the instrument in a column": (
        replace(PLAIN, names=(*PLAIN.names, "Ticker"), more=lambda _: (NAME,)),
        "utf-8",
    ),
    "lakhs": (replace(PLAIN, price=lakhs, quote='"'), "lakhs"),
}


def _made(sheet: Sheet, encoding: str) -> Animal:
    if encoding == "moved":
        # Close and volume stand before the other prices.
        rows = [(row[0], row[4], row[5], *row[1:4]) for row in replace(sheet, quote="").rows(days())]
        text = "\n".join(",".join(row) for row in [sheet.names, *rows]) + "\n"
        return Animal("csv", text.encode(), bars=days())
    if encoding == "barred":
        text = "".join(f"| {line}\n" for line in sheet.text(days()).splitlines())
        return Animal("txt", text.encode(), bars=days())
    if encoding == "lakhs":
        bars = tuple(
            Bar.of(bar.opens, (float(round(price * 100)) for price in bar.prices), bar.volume) for bar in days()
        )
        return Animal("csv", sheet.text(days()).encode(), bars=bars, options={"step": Decimal(1)})
    return table(sheet, encoding)


for _name, (_sheet, _encoding) in SHEETS.items():
    animal(_name)(lambda sheet=_sheet, encoding=_encoding: _made(sheet, encoding))  # type: ignore[misc]  # bound now


@animal("packed with gzip, no end to the last line")
def _packed() -> Animal:
    return Animal("csv.gz", gzip.compress(PLAIN.text(days()).rstrip("\n").encode()), bars=days())


@animal("a count of rows, dates in a column of their own")
def _counted() -> Animal:
    lines = [f"{number},{line}" for number, line in enumerate(PLAIN.text(days()).splitlines(), -1)]
    return Animal("csv", "\n".join([lines[0].replace("-1,", ",", 1), *lines[1:]]).encode(), bars=days())


@animal("a word on the source below")
def _source_below() -> Animal:
    return table(replace(PLAIN, below="Source: a made-up provider, no guarantee\n"), notes=1)


@animal("columns that the user names")
def _named_by_the_user() -> Animal:
    sheet = replace(LOCAL, names=("Wann", "A", "B", "C", "D", "Menge"))
    told = (("time", "Wann"), ("open", "A"), ("high", "B"), ("low", "C"), ("close", "D"), ("volume", "Menge"))
    return table(sheet, options={"columns": told})


@animal("no header")
def _no_header() -> Animal:
    told = (("time", "1"), ("open", "2"), ("high", "3"), ("low", "4"), ("close", "5"), ("volume", "6"))
    text = PLAIN.text(days()).partition("\n")[2]
    return Animal("txt", text.encode(), bars=days(), options={"columns": told})


@animal("no volume, as the user says")
def _no_volume() -> Animal:
    bars = tuple(replace(bar, volume=None) for bar in days())
    return Animal("csv", PLAIN.text(days()).encode(), bars=bars, options={"columns": (("volume", ""),)})


@animal("three decimals throughout, in English")
def _three_decimals() -> Animal:
    bars = tuple(Bar.of(bar.opens, (round(price / 10, 3) for price in bar.prices), bar.volume) for bar in days())
    return Animal("csv", replace(PLAIN, price=lambda value: point(value, 3)).text(bars).encode(), bars=bars)


def _whole_prices() -> tuple[Bar, ...]:
    return tuple(Bar.of(bar.opens, (float(round(price + 1_000)) for price in bar.prices), bar.volume) for bar in days())


@animal("whole prices with dots, and a word on them")
def _thousands_told() -> Animal:
    sheet = replace(LOCAL, price=lambda value: german(value, 0))
    return Animal(
        "csv", sheet.text(_whole_prices()).encode(), bars=_whole_prices(), options={"decimal": ",", "step": Decimal(1)}
    )


@animal("whole prices without marks")
def _whole() -> Animal:
    sheet = replace(LOCAL, price=lambda value: point(value, 0))
    return Animal("csv", sheet.text(_whole_prices()).encode(), bars=_whole_prices(), options={"step": Decimal(1)})


@animal("JSON lines")
def _json() -> Animal:
    return Animal("jsonl", _objects(float), bars=days())


@animal("JSON lines, prices as text")
def _json_texts() -> Animal:
    return Animal("jsonl", _objects(english), bars=days())


@animal("JSON lines, prices as German text")
def _json_german() -> Animal:
    return Animal("jsonl", _objects(german), bars=days())


def _objects(price: Callable[[float], object]) -> bytes:
    lines = [
        {"date": str(bar.opens), "volume": bar.volume}
        | {name: price(getattr(bar, name)) for name in ("open", "high", "low", "close")}
        for bar in days()
    ]
    return "\n".join(map(json.dumps, lines)).encode()


def _parquet(price: Callable[[float], object], **more: pa.Array) -> bytes:
    columns = {"date": pa.array([bar.opens for bar in days()]), "volume": pa.array([bar.volume for bar in days()])}
    columns |= {
        name: pa.array([price(getattr(bar, name)) for bar in days()]) for name in ("open", "high", "low", "close")
    }
    sink = io.BytesIO()
    parquet.write_table(pa.table(columns | more), sink)
    return sink.getvalue()


@animal("Parquet")
def _parquet_typed() -> Animal:
    return Animal("parquet", _parquet(float), bars=days())


@animal("Parquet, prices as German text, instrument in a column")
def _parquet_texts() -> Animal:
    return Animal("parquet", _parquet(german, symbol=pa.array([NAME] * len(days()))), bars=days())
