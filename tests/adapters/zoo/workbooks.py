"""Workbooks as spreadsheets save them, good ones and such as went wrong on the way."""

from __future__ import annotations

import io
import zipfile
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from openpyxl import Workbook
from openpyxl.utils.datetime import CALENDAR_MAC_1904

from tests.adapters.zoo.animals import GERMAN, Animal, Bar, animal, days, german, outsider, quarters

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

ENGLISH = ("Date", "Open", "High", "Low", "Close", "Volume")
DAY_ZERO = date(1899, 12, 30)


def book(*sheets: tuple[str, Iterable[Sequence[Any]]], mac: bool = False) -> bytes:
    """Save sheets by name, each with rows of cells."""
    made = Workbook()
    made.remove(made.active)
    if mac:
        made.epoch = CALENDAR_MAC_1904
    for name, rows in sheets:
        sheet = made.create_sheet(name)
        for row in rows:
            sheet.append(list(row))
    sink = io.BytesIO()
    made.save(sink)
    return sink.getvalue()


def rows(
    bars: Iterable[Bar], when: Callable[[Any], Any] = lambda opens: opens, price: Callable[[float], Any] = float
) -> list[list[Any]]:
    return [[when(bar.opens), *map(price, bar.prices), bar.volume] for bar in bars]


def here(opens: datetime) -> datetime:
    return opens.astimezone(ZoneInfo("America/New_York")).replace(tzinfo=None)


def in_new_york(*lines: Sequence[Any]) -> Animal:
    return Animal("xlsx", book(("Bars", lines)), bars=quarters(), options={"tz": "America/New_York"})


@animal("workbook")
def _plain() -> Animal:
    return Animal("xlsx", book(("Sheet", [ENGLISH, *rows(days())])), bars=days())


@animal("workbook with the ending of an older kind")
def _newer_than_its_name() -> Animal:
    return Animal("xls", book(("Sheet", [ENGLISH, *rows(days())])), bars=days())


@animal("workbook, newest first, titles above, notes on another sheet")
def _titles() -> Animal:
    lines = [["S&P 500"], [], ["", *ENGLISH], *(["", *row] for row in rows(reversed(days())))]
    return Animal("xlsx", book(("Bars", lines), ("Notes", [["None of this is advice"]])), bars=days())


@animal("workbook, days as bare numbers")
def _serial() -> Animal:
    lines = rows(days(), lambda day: (day - DAY_ZERO).days)
    return Animal("xlsx", book(("Bars", [ENGLISH, *lines])), bars=days())


@animal("workbook, days since 1904")
def _mac() -> Animal:
    return Animal("xlsx", book(("Bars", [ENGLISH, *rows(days())]), mac=True), bars=days())


@animal("workbook, days since 1904 as bare numbers")
def _mac_serial() -> Animal:
    lines = rows(days(), lambda day: (day - date(1904, 1, 1)).days)
    return Animal("xlsx", book(("Bars", [ENGLISH, *lines]), mac=True), bars=days())


@animal("workbook, all of it German text")
def _texts() -> Animal:
    lines = [
        [f"{bar.opens:%d.%m.%Y}", *map(german, bar.prices), f"{german((bar.volume or 0) / 1e6)} Mio."] for bar in days()
    ]
    return Animal("xlsm", book(("Kurse", [GERMAN, *lines])), bars=days())


@animal("workbook, minutes")
def _minutes() -> Animal:
    return in_new_york(("Time", *ENGLISH[1:]), *rows(quarters(), here))


@animal("workbook, minutes as numbers that are a little off")
def _numbers_off() -> Animal:
    def number(opens: datetime) -> float:
        since = here(opens) - datetime(1899, 12, 30)  # noqa: DTZ001 - a clock time
        return round(since / timedelta(days=1), 8)

    return in_new_york(("Time", *ENGLISH[1:]), *rows(quarters(), number))


@animal("workbook, date and time apart")
def _apart() -> Animal:
    lines = [[here(row[0]).date(), here(row[0]).time(), *row[1:]] for row in rows(quarters())]
    return in_new_york(("Date", "Time", *ENGLISH[1:]), *lines)


def clock_times(time: Callable[[timedelta], Any], *more: Sequence[Any]) -> Animal:
    """Put dates and times of day apart, each of these as ``time`` gives it; ``more`` rows come first."""
    opens = [here(row[0]) for row in rows(quarters())]
    clocks = [time(each - each.replace(hour=0, minute=0)) for each in opens]
    cells = zip(opens, clocks, rows(quarters()), strict=True)
    lines = [[day.date(), clock, *row[1:]] for day, clock, row in cells]
    return in_new_york(("Date", "Time", *ENGLISH[1:]), *more, *lines)


@animal("workbook, times of day as parts of a day")
def _parts_of_days() -> Animal:
    return clock_times(lambda since: round(since / timedelta(days=1), 8))


@animal("workbook, times of day as lengths, one of them a whole day")
def _lengths() -> Animal:
    midnight = [date(2007, 1, 1), timedelta(days=1), 1418.0, 1418.5, 1417.5, 1418.0, 5]
    return replace(clock_times(lambda since: since, midnight), notes=1)


@animal("workbook, German text except for some volumes")
def _volumes_as_numbers() -> Animal:
    lines = [
        [f"{bar.opens:%d.%m.%Y}", *map(german, bar.prices), german(bar.volume or 0) if number % 2 else bar.volume]
        for number, bar in enumerate(days())
    ]
    return Animal("xlsx", book(("Kurse", [GERMAN, *lines])), bars=days())


@animal("workbook of another kind")
def _open_document() -> Animal:
    def cell(value: float | str | None) -> str:
        if isinstance(value, str):
            return f'<table:table-cell office:value-type="string"><text:p>{value}</text:p></table:table-cell>'
        return f'<table:table-cell office:value-type="float" office:value="{value}"/>'

    lines = [ENGLISH, *rows(days(), str)]
    body = "".join(f"<table:table-row>{''.join(map(cell, line))}</table:table-row>" for line in lines)
    spaces = " ".join(
        f'xmlns:{name}="urn:oasis:names:tc:opendocument:xmlns:{name}:1.0"' for name in ("office", "table", "text")
    )
    sink = io.BytesIO()
    with zipfile.ZipFile(sink, "w") as parts:
        parts.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        parts.writestr("META-INF/manifest.xml", '<manifest:manifest xmlns:manifest="urn:x"/>')
        parts.writestr(
            "content.xml",
            f'<?xml version="1.0"?><office:document-content {spaces}><office:body><office:spreadsheet>'
            f'<table:table table:name="Bars">{body}</table:table>'
            "</office:spreadsheet></office:body></office:document-content>",
        )
    return Animal("ods", sink.getvalue(), bars=days())


WHOLE = "give the original file, or import it with its columns as text"


@outsider("workbook in which days were taken for months")
def _mixed_days() -> Animal:
    lines = rows(days(), lambda day: day.replace(month=day.day, day=day.month) if day.day <= 12 else f"{day:%m/%d/%Y}")
    return Animal(
        "xlsx",
        book(("Bars", [ENGLISH, *lines])),
        refused='some times are dates and others text, such as "12/13/2006", as happens when a spreadsheet takes '
        f"days for months; {WHOLE}",
    )


@outsider("workbook in which marks of prices were mistaken")
def _mixed_prices() -> Animal:
    lines = rows(days(), price=lambda value: value if value > 1_000 else german(value))
    return Animal(
        "xlsx",
        book(("Bars", [ENGLISH, *lines])),
        refused="as happens when a spreadsheet misreads decimal marks; " + WHOLE,
    )


@outsider("workbook in which prices became dates")
def _dates_for_prices() -> Animal:
    lines = rows(days())
    lines[7][3] = datetime(2024, 5, 1, tzinfo=UTC).replace(tzinfo=None)
    return Animal(
        "xlsx",
        book(("Bars", [ENGLISH, *lines])),
        refused=f'one of the prices is "2024-05-01", as happens when a spreadsheet takes a price for a date; {WHOLE}',
    )


@outsider("workbook with two sheets of bars")
def _two_sheets() -> Animal:
    lines = [ENGLISH, *rows(days())]
    return Animal(
        "xlsx",
        book(("Old", lines), ("New", lines)),
        refused='several sheets hold tables of bars ("Old", "New"); save each as a workbook of its own',
    )


@outsider("workbook with nothing in it")
def _empty_book() -> Animal:
    return Animal("xlsx", book(("Sheet", [])), refused="no sheet of the workbook has anything in it; put bars in it")


@outsider("workbook without a close")
def _no_close() -> Animal:
    return Animal(
        "xlsx",
        book(("Sheet", [ENGLISH[:4], *(row[:4] for row in rows(days()))])),
        refused="say which with --columns close=NAME",
    )


@outsider("workbook that is cut off")
def _cut() -> Animal:
    content = book(("Sheet", [ENGLISH, *rows(days())]))
    return Animal(
        "xlsx",
        content[: len(content) // 2],
        refused="the workbook is damaged, or needs a password; save it again without one",
    )


@outsider("workbook whose list of parts is damaged")
def _bad_list() -> Animal:
    content = book(("Sheet", [ENGLISH, *rows(days())]))
    return Animal(
        "xlsx",
        content.replace(b"PK\x01\x02", b"PK\x01\x03"),
        refused="the workbook is damaged, or needs a password; save it again without one",
    )


@outsider("archive that is no workbook")
def _archive() -> Animal:
    sink = io.BytesIO()
    with zipfile.ZipFile(sink, "w") as parts:
        parts.writestr("bars.csv", "Date,Open\n")
    return Animal("zip", sink.getvalue(), refused="it is a ZIP archive, not a workbook; unpack it first")
