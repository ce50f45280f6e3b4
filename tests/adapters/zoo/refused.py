"""Files from which no bars may come: ones that could be read in two ways, and ones that are not tables of bars."""

from __future__ import annotations

import gzip
from dataclasses import replace

from tests.adapters.zoo.animals import (
    GERMAN,
    Animal,
    Sheet,
    comma,
    days,
    outsider,
    point,
    small,
)

HEADER = "Date,Open,High,Low,Close,Volume\n"
GERMAN_HEADER = ";".join(GERMAN) + "\n"
NEEDED = "a file of bars has columns for time (or date), open, high, low and close"
EITHER = (
    'the column "Date" does not show which figure is the day, the month or the year, as in "01/02/2024"; '
    "add --time-format '%d/%m/%Y' or --time-format '%m/%d/%Y' (%d is the day, %m the month)"
)
ZONE = "give it with --tz, such as --tz Europe/Berlin"
ROW = "2024-01-02,10,11,9,10.5,100\n"


def text_of(sheet: Sheet) -> str:
    return sheet.text(days())


def doubtful(name: str, text: str, mark: str, cell: str) -> None:
    word, other = ("point", ",") if mark == "." else ("comma", ".")
    digits = cell.replace(mark, "")
    outsider(name)(
        lambda: small(
            text,
            f'"{cell}" can be read as {digits} or with a decimal {word}, and nothing else in the file settles it; '
            f"add --decimal {mark} if the {word} is the decimal mark, or --decimal {other} if it separates thousands",
        )
    )


doubtful(
    "three figures behind a dot, in German",
    GERMAN_HEADER + "13.02.2024;17.712;17.803;17.650;17.777;100\n14.02.2024;17.777;17.803;17.650;17.699;100\n",
    ".",
    "17.712",
)
doubtful(
    "three figures behind a comma, in quotes",
    HEADER + '2024-02-13,"71,500","71,900","71,200","71,600",100\n',
    ",",
    "71,500",
)
doubtful(
    "three figures behind a dot, and shorter ones, in English",
    HEADER + "2024-02-13,999,1.003,998,1.001,100\n2024-02-14,1.001,1.003,998,1.002,100\n",
    ".",
    "1.001",
)
doubtful(
    "three figures behind a dot, in English, and no longer number that tells",
    "Date,Open,High,Low,Close\n2024-02-13,140.850,140.862,140.850,140.855\n",
    ".",
    "140.850",
)
doubtful(
    "volumes with three figures behind a dot",
    GERMAN_HEADER + "13.02.2024;17;18;16;17;1.234\n14.02.2024;17;18;16;17;2.345\n",
    ".",
    "1.234",
)

GIVEN = "format its column as a date, such as 2024-01-31, and save the file again, or give the workbook itself"
LETTERS = "remove the letters, and give the zone with --tz, such as --tz America/New_York"
SHORT: dict[str, tuple[str, str]] = {
    "day or month first": (HEADER + "01/02/2024,10,11,9,10.5,100\n02/02/2024,10,11,9,10.5,100\n", EITHER),
    "days as spreadsheets number them": (
        HEADER + "45293,10,11,9,10.5,100\n45294,10,11,9,10.5,100\n",
        'the time "45293" in the column "Date" is a spreadsheet\'s number for a day (2024-01-02); ' + GIVEN,
    ),
    "counts for times": (
        ",Open,High,Low,Close\n0,10,11,9,10.5\n1,10,11,9,10.5\n",
        (
            'the time "0" in the column "number 1" is too small a number for a time; '
            "name the column of times with --columns time=NAME"
        ),
    ),
    "no header, and nothing told": (
        ROW + ROW,
        (
            "there is no header, the file begins with numbers; put the names of the columns on the first line, such as "
            "time,open,high,low,close,volume, or say which column is which by its number, such as "
            "--columns time=1,open=2,high=3,low=4,close=5"
        ),
    ),
    "no close": (
        "Date,Open,High,Low\n2024-01-02,10,11,9\n",
        f'no column is named close; found "Date", "Open", "High", "Low"; {NEEDED}; say which with --columns close=NAME',
    ),
    "no table": ("Dear diary\ntoday I lost money\n", f'found "Dear diary"; {NEEDED}'),
    "a settlement and a last price": (
        "Date,Open,High,Low,Last,Settle,Volume\n2024-01-02,10,11,9,10.5,10.4,100\n",
        '"Last" and "Settle" could both be the close; say which with --columns "close=Last"',
    ),
    "two volumes of which nothing is known": (
        "time,open,high,low,close,volumefrom,volumeto\n2024-01-02,10,11,9,10.5,100,1000\n",
        '"volumefrom" and "volumeto" could both be the volume; say which with --columns "volume=volumefrom"',
    ),
    "instruments side by side": (
        "Price,Close,Close,High,High,Low,Low,Open,Open\nTicker,A,B,A,B,A,B,A,B\nDate,,,,,,,,\n",
        ('two columns are named "Open"; rename or remove one of them, and give each instrument a file of its own'),
    ),
    "local time without a zone": (
        "Local time,open,high,low,close\n2024-01-02 09:30,10,11,9,10.5\n2024-01-02 09:45,10,11,9,10.5\n",
        f'the column "Local time" does not say which time zone it means; {ZONE}',
    ),
    "EST in the header": (
        "Time (EST),open,high,low,close\n2024-01-02 09:30,10,11,9,10.5\n2024-01-02 09:45,10,11,9,10.5\n",
        f'the column "Time (EST)" does not say which time zone it means; {ZONE}',
    ),
    "EST in the times": (
        "time,open,high,low,close\n2024-01-02 09:30 EST,10,11,9,10.5\n",
        (
            'the time "2024-01-02 09:30 EST" in the column "time" ends in EST, which does not say '
            "exactly which time zone; " + LETTERS
        ),
    ),
    "twelve figures": (
        "time,open,high,low,close\n202401020930,10,11,9,10.5\n",
        (
            'the time "202401020930" in the column "time" is not in a standard form; '
            "say how it is written with --time-format, such as %Y%m%d%H%M"
        ),
    ),
    "prices that may be in thirty-seconds": (
        HEADER + "2024-02-13,108'165,108'205,108'160,108'202,100\n2024-02-14,108'202,109'007,108'197,109'000,100\n",
        '"108\'165" may mean 108165, or 108 and 16 thirty-seconds; write prices with a decimal point',
    ),
    "a web page": (
        "<html><table><tr><td>Date</td></tr></table></html>",
        (
            "it is a web page or XML, whatever its name says; "
            "open it in a spreadsheet, and save it as a workbook or as CSV"
        ),
    ),
    "two currencies": (
        HEADER + "2024-01-02,$10.00,$11.00,$9.00,€10.50,100\n",
        "some prices are in $ and others in €; put each currency into a file of its own",
    ),
    "volumes with words": (
        HEADER + "2024-01-02,10,11,9,10.5,100 lots\n2024-01-03,10,11,9,10.5,90 lots\n",
        'the volume "100 lots" in the column "Volume" is not a number; leave the column out with --columns volume=',
    ),
    "decimal commas between commas": (
        HEADER + "2024-01-02,10,50,11,50,9,50,10,75,100\n",
        (
            'no row has a readable time; row 2: 10 fields instead of 6: "2024-01-02,10,50,11,50,9,50,10,75,100"; '
            "check that the rows match the header"
        ),
    ),
    "a header alone": (HEADER, "it has a header but no rows; put bars in it"),
    "nothing": ("", "it is empty; put bars in it"),
    "an array of JSON": (
        '[{"time": 1}]',
        "it is one JSON array; write each bar as an object on a line of its own",
    ),
    "events": (
        '{"specversion": "1.0", "id": "a"}\n',
        "it holds events, not bars; keep it in another folder than the bars",
    ),
    "carriage returns alone": (
        (HEADER + ROW).replace("\n", "\r"),
        "its lines end in carriage returns only; save it with normal line ends",
    ),
}
for _name, (_text, _refused) in SHORT.items():
    outsider(_name)(lambda text=_text, refused=_refused: small(text, refused))  # type: ignore[misc]  # bound now


@outsider("half of it with decimal points, half with commas")
def _both_marks() -> Animal:
    begin = text_of(Sheet(price=point, between=";")).splitlines()
    end = text_of(Sheet(price=comma, between=";")).splitlines()
    middle = len(begin) // 2
    return small(
        "\n".join([*begin[:middle], *end[middle:]]),
        "some numbers have a decimal point and others a decimal comma (1,292 and 1,300 of the clear ones); "
        "write all of them the same way",
    )


@outsider("half of it day first, half of it month first")
def _both_orders() -> Animal:
    begin, end = (text_of(Sheet(when=when)).splitlines() for when in ("%d/%m/%Y", "%m/%d/%Y"))
    middle = len(begin) // 2
    return small(
        "\n".join([*begin[:middle], *end[middle:]]),
        "the times in the column \"Date\" are written in more than one way ('%d/%m/%Y' and '%m/%d/%Y'), so that some "
        "could mean either; write all of them the same way",
    )


@outsider("another format than the user says")
def _wrong_format() -> Animal:
    return small(
        text_of(Sheet(when="%d/%m/%Y")),
        'the time "13/12/2006" in the column "Date" does not fit --time-format %m/%d/%Y; %d/%m/%Y fits more of '
        "them, so give that or correct the times",
        time_format="%m/%d/%Y",
    )


@outsider("a format said where none is needed")
def _needless_format() -> Animal:
    return small(
        replace(Sheet(), when="%Y-%m-%d 09:30").text(days()),
        'the time "2006-12-01 09:30" in the column "Date" does not fit --time-format %d.%m.%Y '
        "and is in a standard form; leave --time-format out",
        time_format="%d.%m.%Y",
    )


@outsider("a column that is not there")
def _no_such_column() -> Animal:
    return small(
        text_of(Sheet()),
        '--columns close=Schluss: no column has that name; found "Date", "Open", "High", "Low", "Close", "Volume"',
        columns=(("close", "Schluss"),),
    )


@outsider("months")
def _months() -> Animal:
    lines = [
        f"{year}-{month:02}-01,{year},{year + 9},{year - 9},{year + 1},5"
        for year in (2021, 2022)
        for month in range(1, 13)
    ]
    return small(
        HEADER + "\n".join(lines),
        "the bars of 'SPX' are monthly; the longest timeframe is a week, so give daily or weekly bars",
    )


@outsider("three hours")
def _odd_spacing() -> Animal:
    lines = [f"2024-01-{day:02}T{hour:02}:00Z,10,11,9,10.5,5" for day in (2, 3) for hour in range(0, 24, 3)]
    return small(
        HEADER + "\n".join(lines),
        "the bars of 'SPX' are 3 hours apart, which is not one of the timeframes (1m, 2m, 3m, 5m, 10m, 15m, 30m, 1h, "
        "2h, 4h, 8h, 1d, 1w)",
    )


@outsider("gzip that is cut off")
def _cut() -> Animal:
    content = gzip.compress(text_of(Sheet()).encode(), mtime=0)
    return Animal(
        "csv.gz",
        content[: len(content) // 2],
        refused="the gzip file is cut off, so nothing in it can be trusted; fetch it again",
    )


@outsider("bytes that are no text")
def _bytes() -> Animal:
    return Animal(
        "csv",
        bytes(range(256)),
        refused="its content is neither text nor Parquet nor a workbook; "
        "give CSV (plain or gzip), JSON lines, Parquet or a workbook of a spreadsheet",
    )
