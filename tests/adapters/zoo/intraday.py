"""Bars of 15 minutes: times in all the ways in which they are written."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

from tests.adapters.zoo.animals import GERMAN, Sheet, animal, german, intraday, point

NEW_YORK, BERLIN = "America/New_York", "Europe/Berlin"
PLAIN = Sheet(names=("time", "open", "high", "low", "close", "volume"), when="%Y-%m-%dT%H:%M:%SZ")
HERE = replace(PLAIN, zone=NEW_YORK)
LOCAL = Sheet(names=GERMAN, when="%d.%m.%Y %H:%M", price=german, between=";", zone=BERLIN)
ANGLES = ("DATE", "TIME", "OPEN", "HIGH", "LOW", "CLOSE", "TICKVOL", "VOL", "SPREAD")
PARTED = ("Date", "Time", "Open", "High", "Low", "Close", "Volume")


def colon(text: str) -> str:
    """Put the colon into an offset."""
    return f"{text[:-2]}:{text[-2:]}"


SHEETS: dict[str, tuple[Sheet, dict[str, object]]] = {
    "RFC 3339": (PLAIN, {}),
    "RFC 3339 with offsets": (replace(HERE, when=lambda at: colon(f"{at:%Y-%m-%dT%H:%M:%S%z}")), {}),
    "pandas with offsets, newest first": (
        replace(HERE, when=lambda at: colon(f"{at:%Y-%m-%d %H:%M:%S%z}"), newest_first=True),
        {},
    ),
    "clock times of New York": (replace(HERE, when="%Y-%m-%d %H:%M:%S"), {"tz": NEW_YORK}),
    "clock times of New York, newest first": (
        replace(HERE, when="%Y-%m-%d %H:%M:%S", newest_first=True),
        {"tz": NEW_YORK},
    ),
    "clock times without a nought before nine": (
        replace(HERE, when=lambda at: f"{at:%Y-%m-%d} {at.hour}:{at:%M}"),
        {"tz": NEW_YORK},
    ),
    "a header that says EST, and the zone told": (
        replace(HERE, names=("Time (EST)", *HERE.names[1:]), when="%Y-%m-%d %H:%M"),
        {"tz": NEW_YORK},
    ),
    "a header that says GMT": (
        replace(PLAIN, names=("Gmt time", *PLAIN.names[1:]), when="%d.%m.%Y %H:%M:%S.000"),
        {"tz": BERLIN},
    ),
    "Local time with offsets": (
        replace(
            PLAIN,
            names=("Local time", "Open", "High", "Low", "Close", "Volume"),
            when="%d.%m.%Y %H:%M:%S.000 GMT%z",
            zone=BERLIN,
        ),
        {},
    ),
    "Local time, and the zone told": (
        replace(HERE, names=("Local time", *HERE.names[1:]), when="%d.%m.%Y %H:%M:%S"),
        {"tz": NEW_YORK},
    ),
    "halves of the day": (replace(HERE, when="%m/%d/%Y %I:%M:%S %p"), {"tz": NEW_YORK}),
    "halves of the day, unpadded, two figures for the year": (
        replace(HERE, when=lambda at: f"{at.month}/{at.day}/{at:%y}, {int(at.strftime('%I'))}:{at:%M %p}", between=";"),
        {"tz": NEW_YORK},
    ),
    "German minutes": (LOCAL, {"tz": BERLIN}),
    "German minutes, date and time apart": (
        replace(LOCAL, names=("Datum", "Uhrzeit", *GERMAN[1:]), when="%d.%m.%Y\t%H:%M"),
        {"tz": BERLIN},
    ),
    "date and time apart, in angles, two volumes": (
        replace(
            HERE,
            names=tuple(f"<{name}>" for name in ANGLES),
            when="%Y.%m.%d\t%H:%M:%S",
            between="\t",
            more=lambda _: ("0", "2"),
        ),
        {"tz": NEW_YORK},
    ),
    "date and time apart, month first": (replace(HERE, names=PARTED, when="%m/%d/%Y\t%H:%M"), {"tz": NEW_YORK}),
    "date and time apart, as the user names them": (
        replace(HERE, names=("Tag", "Uhr", "A", "B", "C", "D", "E"), when="%Y-%m-%d\t%H:%M"),
        {
            "tz": NEW_YORK,
            "columns": (
                ("time", "Tag + Uhr"),
                ("open", "A"),
                ("high", "B"),
                ("low", "C"),
                ("close", "D"),
                ("volume", "E"),
            ),
        },
    ),
    "date and time apart, without marks": (replace(HERE, names=PARTED, when="%Y%m%d\t%H%M%S"), {"tz": NEW_YORK}),
    "date and time apart, hours without a nought": (
        replace(HERE, names=PARTED, when=lambda at: f"{at:%Y%m%d}\t{at.hour}{at:%M}"),
        {"tz": NEW_YORK},
    ),
    "date and time without marks": (replace(HERE, when="%Y%m%d %H%M%S"), {"tz": NEW_YORK}),
    "fourteen figures": (replace(HERE, when="%Y%m%d%H%M%S"), {"tz": NEW_YORK}),
    "twelve figures, and the format told": (
        replace(HERE, when="%Y%m%d%H%M"),
        {"tz": NEW_YORK, "time_format": "%Y%m%d%H%M"},
    ),
    "microseconds since 1970": (
        replace(PLAIN, names=("unix", *PLAIN.names[1:]), when=lambda at: f"{at.timestamp():.0f}000000"),
        {},
    ),
    "names of months, German": (
        replace(LOCAL, when=lambda at: f"{at.day}. {('Januar', 'Februar', 'März')[at.month - 1]} {at:%Y %H:%M}"),
        {"tz": BERLIN},
    ),
    "times of the close": (
        replace(
            HERE,
            names=("Close time", *HERE.names[1:]),
            when=lambda at: f"{at + timedelta(minutes=15):%Y-%m-%d %H:%M}",
        ),
        {"tz": NEW_YORK},
    ),
    "times of the close, as the user says": (
        replace(HERE, when=lambda at: f"{at + timedelta(minutes=15):%Y-%m-%d %H:%M}"),
        {"tz": NEW_YORK, "stamp": "close"},
    ),
    "prices in dollars, to a tenth of a cent": (
        replace(PLAIN, price=lambda value: f"${point(value)}0", quote='"'),
        {},
    ),
}

for _name, (_sheet, _options) in SHEETS.items():
    animal(_name)(lambda sheet=_sheet, options=_options: intraday(sheet, options=options))  # type: ignore[misc]  # bound now
