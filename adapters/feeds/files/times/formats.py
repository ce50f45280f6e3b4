"""Times in a ``strptime`` format: how such a column is read, and which formats a cell may have."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from adapters.feeds.files.cells.arrow import lent
from adapters.feeds.files.times.styles import Style
from scanner.clocks import SECOND

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from adapters.feeds.files.cells.arrow import Column
    from adapters.feeds.files.times.styles import Meaning

MONTHS = 12
DIGITS_OF_A_YEAR = 4
CENTURY = 69
"""Two-digit years from here on belong to the last century, as in POSIX."""
MOST_DAYS = 106_750
"""64 bits hold the nanoseconds of this many days around 1970."""
_NAMES = {
    name: month
    for month, names in enumerate(
        (
            "jan january januar janner janvier janv enero ene gennaio gen",
            "feb february februar feber fevrier fevr febrero febbraio",
            "mar march marz maerz mrz mars marzo",
            "apr april avril avr abril abr aprile",
            "may mai mayo maggio mag",
            "jun june juni juin junio giugno giu",
            "jul july juli juillet juil julio luglio lug",
            "aug august aout agosto ago",
            "sep sept september septembre septiembre setiembre settembre set",
            "oct october oktober okt octobre octubre ottobre ott",
            "nov november novembre noviembre",
            "dec december dezember dez decembre diciembre dic dicembre",
        ),
        1,
    )
    for name in names.split()
}
_WORD = r"\p{L}{2,}\.?"
_PARTS = {
    "%Y": r"(?P<Y>\d{4})",
    "%y": r"(?P<y>\d{2})",
    "%m": r"(?P<m>\d{1,2})",
    "%d": r"(?P<d>\d{1,2})",
    "%b": rf"(?P<b>{_WORD})",
    "%B": rf"(?P<b>{_WORD})",
    "%a": _WORD,
    "%A": _WORD,
    "%H": r"(?P<H>\d{1,2})",
    "%I": r"(?P<I>\d{1,2})",
    "%M": r"(?P<M>\d{1,2})",
    "%S": r"(?P<S>\d{1,2})",
    "%f": r"(?P<f>\d{1,9})",
    "%p": r"(?P<p>[ap]m)",
    "%z": r"(?P<z>z|[+-]\d{2}:?\d{2})",
}


def style_for(time_format: str) -> Style:
    """Make the style of a strptime format; ValueError if it is not one, or has no full date.

    Names of months are understood in five languages.
    """
    probe = datetime(2003, 2, 1, tzinfo=UTC)
    try:
        known = datetime.strptime(probe.strftime(time_format), time_format)  # noqa: DTZ007 - only its date is looked at
    except (ValueError, re.error) as problem:
        raise ValueError(f"{time_format!r} is not a time format; write it like %Y-%m-%d %H:%M") from problem
    if known.date() != probe.date():
        raise ValueError(f"{time_format!r} has no full date; write it like %Y-%m-%d %H:%M")
    parts = re.findall(r"%.|[^%]+", time_format)
    zoned = "%z" in parts or re.search(r"\b(UTC|GMT)\b", time_format)
    meaning: Meaning = "utc" if zoned else "local" if re.search(r"%[HIMSfpcXs]", time_format) else "date"
    if all(part in _PARTS or part[0] != "%" for part in parts):
        pattern = "".join(_PARTS.get(part) or _literal(part) for part in parts)
        if len(set(re.findall(r"\(\?P<(\w)>", pattern))) == pattern.count("(?P<"):
            return Style(meaning, "", partial(_by_parts, pattern=f"(?i)^{pattern}$"))
    return Style(meaning, "", partial(_one_by_one, time_format=time_format))


def _literal(text: str) -> str:
    return r"\s+".join(re.escape(part) for part in re.split(r"\s+", text))


def _by_parts(cells: Column, pattern: str) -> Column:
    """Read a column of text all at once; null for cells that do not fit the pattern or are not possible times."""
    found = pc.extract_regex(pc.utf8_trim_whitespace(cells), pattern)
    good = np.asarray(found.is_valid())
    texts = {field.name: found.field(index) for index, field in enumerate(found.type)}

    def numbers(name: str, text: Column | None = None) -> NDArray[np.int64]:
        if name not in texts:
            return np.zeros(len(found), dtype=np.int64)
        cells = pc.if_else(found.is_valid(), texts[name] if text is None else text, "0")
        return np.asarray(cells.cast(pa.int64()))

    year, month, day = numbers("Y"), numbers("m"), numbers("d")
    if "y" in texts:
        short = numbers("y")
        year = short + np.where(short >= CENTURY, 1900, 2000)
    if "b" in texts:
        month = _months(pc.if_else(found.is_valid(), texts["b"], ""))
    hour = numbers("H")
    if "I" in texts:
        half = numbers("I")
        good &= (half >= 1) & (half <= MONTHS)
        hour = half % 12
        if "p" in texts:
            hour += 12 * np.asarray(pc.equal(pc.utf8_lower(pc.fill_null(texts["p"], "")), "pm"))
    minute, second = numbers("M"), numbers("S")
    fraction = numbers("f", pc.utf8_rpad(texts["f"], 9, "0")) if "f" in texts else 0
    first = ((year - 1970) * 12 + np.clip(month, 1, 12) - 1).astype("datetime64[M]")
    date = first.astype("datetime64[D]") + (day - 1)
    good &= (month >= 1) & (month <= MONTHS) & (day >= 1) & (date.astype("datetime64[M]") == first)
    good &= (hour < 24) & (minute < 60) & (second < 60)  # noqa: PLR2004 - a day has 24 hours, an hour 60 minutes
    days = date.astype(np.int64)
    good &= np.abs(days) < MOST_DAYS
    whole = ((days * 24 + hour) * 60 + minute) * 60 + second
    if "z" in texts:
        whole -= offsets_of(texts["z"])
    return pa.array(whole * SECOND + fraction, pa.int64(), mask=~good)


def _months(cells: Column) -> NDArray[np.int64]:
    """Give the numbers of months by their names, 0 for unknown names."""
    told = pc.utf8_lower(cells).dictionary_encode()
    plain = pc.replace_substring_regex(pc.utf8_normalize(told.dictionary, "NFKD"), r"[\p{M}.]", "").to_pylist()
    months = np.array([_NAMES.get(name, 0) for name in plain] or [0], dtype=np.int64)
    return np.take(months, np.asarray(told.indices))


def offsets_of(cells: Column) -> NDArray[np.int64]:
    """Give offsets from UTC in seconds, which are written as Z, +01, +0100 or +01:00; 0 for null."""
    told = cells.dictionary_encode("encode")
    seconds = [_offset(text) for text in told.dictionary.to_pylist()]
    return np.take(np.array(seconds or [0], dtype=np.int64), lent(told.indices))


def _offset(text: str | None) -> int:
    if text is None or text in "Zz":
        return 0
    return int(f"{text[0]}1") * (int(text[1:3]) * 3_600 + int(text[3:].strip(":") or 0) * 60)


def _one_by_one(cells: Column, time_format: str) -> Column:
    """Read what only strptime can read, such as days of the year."""

    def read(cell: str | None) -> int | None:
        try:
            moment = datetime.strptime((cell or "").strip(), time_format)  # noqa: DTZ007 - a zone is looked for below
        except ValueError:
            return None
        since = moment.replace(tzinfo=moment.tzinfo or UTC) - datetime(1970, 1, 1, tzinfo=UTC)
        nanoseconds = since // timedelta(microseconds=1) * 1_000
        return nanoseconds if abs(nanoseconds) < 2**63 else None

    return pa.array([read(cell) for cell in cells.to_pylist()], pa.int64())


_LETTERS = r"[^\W\d_]"
_DATES = (
    (r"(?P<one>\d{1,4})(?P<mark>[./-])(?P<two>\d{1,2})(?P=mark)(?P<three>\d{1,4})", ()),
    (
        rf"\d{{1,2}}(?P<first>\.? |[-/.])(?:{_LETTERS}{{3,}}\.?)(?P<last>,? |[-/])(?P<year>\d{{4}}|\d{{2}})",
        ("%d", "%b"),
    ),
    (rf"(?:{_LETTERS}{{3,}}\.?)(?P<first>[ -])\d{{1,2}}(?P<last>,? |-)(?P<year>\d{{4}})", ("%b", "%d")),
    (rf"(?P<year>\d{{4}})(?P<first>[ -])(?:{_LETTERS}{{3,}}\.?)(?P<last>[ -])\d{{1,2}}", ("%Y", "%b", "%d")),
)
_COMPACT = r"(?:19|20)\d{2}(?:0[1-9]|1[0-2])(?:0[1-9]|[12]\d|3[01])"
_REST = (
    r"(?:(?P<between>[ T,;_]+)(?P<hour>\d{1,2}):\d{2}(?P<seconds>:\d{2}(?:(?P<point>[.,])\d{1,9})?)?"
    r"(?P<half> ?[AaPp][Mm])?(?P<zone> ?(?:GMT|UTC)?(?:[Zz]|[+-]\d{2}:?\d{2})| (?:UTC|GMT))?)?"
)


def formats_of(cell: str) -> tuple[str, ...]:
    """Give the possible formats of a time in no standard form; () if none is known.

    Dates with dots are written day first wherever they are in use (according to Unicode CLDR, from memory), so that the
    day comes first among them too.
    """
    day = (
        re.match(rf"{_LETTERS}{{2,}}(\.?,? )(?=\d|{_LETTERS})", cell)
        if re.match(rf"{_LETTERS}+\W+\w+\W", cell)
        else None
    )
    for begin, weekday in ((0, ""), *([(day.end(), f"%a{day[1]}")] if day else [])):
        found = _date_formats(cell[begin:])
        if found:
            return tuple(weekday + each for each in found)
    return ()


def _date_formats(cell: str) -> list[str]:
    for pattern, order in _DATES:
        found = re.fullmatch(pattern + _REST, cell)
        if found is not None:
            clock = _clock(found)
            return [date + clock for date in (_named(found, order) if order else _numbered(found))]
    compact = re.fullmatch(
        rf"{_COMPACT}(?P<mark>[ T_]?)(?:[01]\d|2[0-3])(?P<colon>:?)[0-5]\d(?P<seconds>(?P=colon)[0-5]\d)?", cell
    )
    if compact is None:
        return []
    return [f"%Y%m%d{compact['mark']}" + compact["colon"].join(("%H", "%M", "%S")[: 3 if compact["seconds"] else 2])]


def _named(found: re.Match[str], order: tuple[str, ...]) -> list[str]:
    year = "%Y" if len(found["year"]) == DIGITS_OF_A_YEAR else "%y"
    one, two, three = order if order[0] == "%Y" else (*order, year)
    return [one + found["first"] + two + found["last"] + three]


def _numbered(found: re.Match[str]) -> list[str]:
    mark, one, three = found["mark"], found["one"], found["three"]
    if len(one) == DIGITS_OF_A_YEAR:
        return [mark.join(("%Y", "%m", "%d"))]
    if len(one) > 2 or len(three) not in {2, DIGITS_OF_A_YEAR}:  # noqa: PLR2004 - digits of a day or month
        return []
    year = "%Y" if len(three) == DIGITS_OF_A_YEAR else "%y"
    orders = [("%d", "%m", year), ("%m", "%d", year)]
    if year == "%y" and len(one) == 2:  # noqa: PLR2004 - a year has two digits
        orders.append(("%y", "%m", "%d"))
    return [mark.join(order) for order in orders]


def _clock(found: re.Match[str]) -> str:
    if not found["between"]:
        return ""
    hour = "%I" if found["half"] else "%H"
    seconds = (":%S" if found["seconds"] else "") + (f"{found['point']}%f" if found["point"] else "")
    half = found["half"][:-2] + "%p" if found["half"] else ""
    zone = re.sub(r"[Zz]$|[+-]\d{2}:?\d{2}$", "%z", found["zone"] or "")
    return f"{found['between']}{hour}:%M{seconds}{half}{zone}"
