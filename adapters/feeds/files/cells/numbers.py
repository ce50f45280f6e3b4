"""Numbers as people, spreadsheets and programs write them, and finding their decimal mark.

One cell cannot always settle it: ``1.234`` is more than a thousand in Hamburg and little more than one in London. So
the cells of all columns are looked at together (``Evidence``), and if they do not settle it, the user is asked.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from adapters.feeds.files.cells.arrow import as_text, flat, is_text, lent
from adapters.feeds.files.trouble import UnreadableFileError, quoted
from scanner.arrow import numbers, texts

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from adapters.feeds.files.cells.arrow import Column

Mark = Literal[".", ","]
"""The decimal mark."""
MARKS: tuple[Mark, Mark] = (".", ",")
WORDS: dict[Mark, str] = {".": "point", ",": "comma"}

NO_VALUE = (
    *("", "-", "\u2013", "\u2014", "null", "NULL", "Null", "None", "none", "nil"),
    *("NA", "N/A", "n/a", "#N/A", "n.v.", "k.A."),
)
"""The content of a cell without a value. As a volume it means that there is none."""

CODES = (
    "AED|AUD|BRL|BTC|CAD|CHF|CLP|CNH|CNY|COP|CZK|DKK|ETH|EUR|GBP|GBX|HKD|HUF|IDR|ILS|INR|JPY|KRW|MXN|MYR|NOK|NZD|PEN|"
    "PHP|PLN|RON|RUB|SAR|SEK|SGD|THB|TRY|TWD|USDC|USDT|USD|VND|ZAR"
)
"""Currency codes that may accompany a price: the much traded ones of ISO 4217, from memory, and coins."""

# Blanks and apostrophes between thousands and the typographic minus, mapped to the forms that are read.
_SAME = (
    (r"[\x{00a0}\x{2007}\x{2009}\x{202f}]", " "),
    ("[\u2018\u2019\u02bc\u00b4`]", "'"),
    ("\u2212", "-"),
)
_CURRENCY = rf"(?:[A-Z]{{0,2}}\p{{Sc}}|{CODES})"
_SCALES = {"k|tsd\\.?": 3, "mn?|mln\\.?|mio\\.?": 6, "bn?|md|mrd\\.?": 9}
"""Suffixes of volumes, with the powers of ten that they mean."""
_EXPONENT = r"(?:[eE][+-]?\d+)?"


def _other(mark: Mark) -> Mark:
    return "," if mark == "." else "."


def _forms(point: Mark) -> tuple[str, str]:
    """Give the forms that only this decimal mark explains, and all forms it allows, as regular expressions."""
    dot, comma = rf"\{point}", rf"\{_other(point)}"
    blanks = r"\d{1,3}(?: \d{3})+|\d{1,3}(?:'\d{3})+"
    thousands = rf"\d{{1,3}}(?:{comma}\d{{3}})+"
    lakhs = rf"\d{{1,2}}(?:{comma}\d{{2}})+{comma}\d{{3}}"
    only = "|".join(
        (
            rf"\d+{dot}\d{{0,2}}|{dot}\d{{1,2}}|\d*{dot}\d{{4,}}",  # not three digits after it, as thousands have
            rf"(?:0\d*|\d{{4,}})?{dot}\d{{3}}",  # or not one to three digits before it
            rf"\d*{dot}\d*[eE][+-]?\d+",
            rf"(?:{blanks}|{thousands}|{lakhs}){dot}\d*",
            rf"\d{{1,3}}(?:{comma}\d{{3}}){{2,}}|{lakhs}",  # or the other mark occurs twice
        )
    )
    allowed = rf"(?:\d+|{blanks}|{thousands}|{lakhs})(?:{dot}\d*)?{_EXPONENT}|{dot}\d+{_EXPONENT}"
    return f"^[+-]?(?:{only})$", f"^[+-]?(?:{allowed})$|^[+-]?(?i:nan|inf|infinity)$"


_ONLY = {mark: _forms(mark)[0] for mark in MARKS}
_ALLOWED = {mark: _forms(mark)[1] for mark in MARKS}
_EITHER = r"^[+-]?[1-9]\d{0,2}[.,]\d{3}$"
_SHORT = r"^[+-]?[1-9]\d{0,2}$"
_TICKS = r"^\d{2,3}'[0-3]\d[0257]$"
EMPTY = texts([""])[0]
FIRST, SHORT, POINT_AND_THREE, MARKED = numbers(np.array([0, len("999"), len(".999"), len("999.999")]))
STRAY = 100
"""One cell in this many settles nothing: it may be a mistake."""
NONE = np.zeros(0, dtype=np.intp)
FEW = 10
"""One cell in this many may be written in another way than the others, and is then not read."""


@dataclass(slots=True)
class Evidence:
    """What the cells of one file show about how its numbers are written.

    ``only`` counts, by mark, the cells that only this decimal mark explains, and ``either`` those that both explain;
    ``price`` and ``volume`` are the first of the latter. ``short`` is the first price below a thousand without a mark,
    and ``ungrouped`` the first whole number of more than three digits without one. ``ticks`` are prices such as
    108'165, which may mean 16.5 thirty-seconds, and ``grouped`` those whose apostrophe can only separate thousands.
    """

    only: dict[Mark, int] = field(default_factory=lambda: dict.fromkeys(MARKS, 0))
    either: int = 0
    price: str = ""
    volume: str = ""
    short: str = ""
    ungrouped: str = ""
    ticks: str = ""
    grouped: str = ""

    @property
    def settled(self) -> bool:
        """Whether more than a stray cell settles the decimal mark."""
        return sum(self.only.values()) * STRAY > self.either

    def see(self, name: str, cells: Column) -> None:
        """Look at a column, unless its values are numbers already."""
        if not is_text(cells.type):
            return
        text = self._without_three_decimals(name, pc.fill_null(as_text(cells), EMPTY))
        marked = pc.or_(pc.match_substring(text, "."), pc.match_substring(text, ","))
        self._see_unmarked(name, text.filter(pc.invert(marked)))
        text = _plain(name, text.filter(marked), "")
        for mark in MARKS:
            self.only[mark] += pc.sum(pc.match_substring_regex(text, _ONLY[mark])).as_py() or 0
        self._note_doubtful(name, text.filter(pc.match_substring_regex(text, _EITHER)))

    def _see_unmarked(self, name: str, text: Column) -> None:
        long = pc.greater(pc.binary_length(text), SHORT)
        self.ungrouped = self.ungrouped or _first(text.filter(long), r"^\d{4,}$")
        if name != "volume":
            self.short = self.short or _first(text.filter(pc.invert(long)), _SHORT)
            parted = text.filter(pc.match_substring(text, "'"))
            self.ticks = self.ticks or _first(parted, _TICKS)
            self.grouped = self.grouped or _first(
                parted.filter(pc.invert(pc.match_substring_regex(parted, _TICKS))), "'"
            )

    def _without_three_decimals(self, name: str, text: Column) -> Column:
        """Quickly remove cells such as 140.850: whole columns of them settle nothing."""
        point, length = pc.find_substring(text, "."), pc.binary_length(text)
        three = pc.and_(pc.equal(pc.subtract(length, point), POINT_AND_THREE), pc.less_equal(length, MARKED))
        three = pc.and_(three, pc.greater(point, FIRST))
        try:
            values = text.filter(three).cast(pa.float64())
        except pa.ArrowInvalid:
            return text
        if not len(values) or pc.min(values).as_py() < 1:
            return text
        self._note_doubtful(name, text.filter(three))
        return text.filter(pc.invert(three))

    def _note_doubtful(self, name: str, text: Column) -> None:
        self.either += len(text)
        first = text[0].as_py() if len(text) else ""
        if name == "volume":
            self.volume = self.volume or first
        else:
            self.price = self.price or first

    def decided(self, path: Path, *, by_program: bool) -> Mark:
        """Choose the decimal mark of the file; UnreadableFileError if its numbers can be read in two ways.

        ``by_program`` says that nothing else in the file suggests decimal commas. In such a file, prices that all have
        three decimals, such as 140.850, have a decimal point if larger numbers show that thousands are not separated.
        """
        point, comma = self.only["."], self.only[","]
        if min(point, comma) * FEW > point + comma:
            raise UnreadableFileError(
                f"{path}: some numbers have a decimal point and others a decimal comma ({point:,} and {comma:,} "
                "of the clear ones); write all of them the same way"
            )
        if self.ticks and not self.grouped:
            whole, _, rest = self.ticks.partition("'")
            raise UnreadableFileError(
                f"{path}: {quoted(self.ticks)} may mean {whole}{rest}, or {whole} and {rest[:2]} thirty-seconds; "
                "write prices with a decimal point"
            )
        if self.settled:
            return "." if point > comma else ","
        doubtful = self.price or self.volume
        if not doubtful or (by_program and self.ungrouped and "." in self.price and not self.short + self.volume):
            return "."
        mark: Mark = "." if "." in doubtful else ","
        raise UnreadableFileError(
            f"{path}: {quoted(doubtful)} can be read as {doubtful.replace(mark, '')} or with a decimal {WORDS[mark]}, "
            f"and nothing else in the file settles it; add --decimal {mark} if the {WORDS[mark]} is the decimal mark, "
            f"or --decimal {_other(mark)} if it separates thousands"
        )


def _first(text: Column, form: str) -> str:
    found = text.filter(pc.match_substring_regex(text, form))
    return found[0].as_py() if len(found) else ""


@dataclass(slots=True)
class NumberReader:
    """Reads the numbers of one file, whose decimal mark is ``decimal``."""

    path: Path
    decimal: Mark = "."
    currency: str = ""
    """The currency of the prices read so far."""

    def read(self, name: str, cells: Column) -> tuple[NDArray[np.float64], NDArray[np.intp]]:
        """Give a column as float64, and the indices of the cells that are not numbers.

        The column may be written to, unless it belongs to a user's frame. A volume may be missing.
        """
        cells = flat(cells)
        if pa.types.is_dictionary(cells.type):
            cells = cells.dictionary_decode()
        found = cells if pa.types.is_float64(cells.type) else self._converted(name, cells)
        if not found.null_count:
            return lent(found), NONE
        bad = np.asarray(found.is_null())
        if name == "volume":
            bad &= ~np.asarray(pc.is_in(as_text(cells), pa.array([*NO_VALUE, None], pa.string())))
        return lent(found), np.flatnonzero(bad)

    def _converted(self, name: str, cells: Column) -> Column:
        if pa.types.is_float32(cells.type) or pa.types.is_decimal(cells.type):
            # The price meant is the shortest decimal for this number: 1.1, not 1.10000002384.
            return cells.cast(pa.string()).cast(pa.float64())
        if pa.types.is_integer(cells.type) or pa.types.is_float16(cells.type) or pa.types.is_null(cells.type):
            return cells.cast(pa.float64(), safe=False)
        return self._parsed(name, cells.cast(pa.string()))

    def _parsed(self, name: str, cells: Column) -> Column:
        try:
            if self.decimal == ".":
                return cells.cast(pa.float64())
        except pa.ArrowInvalid:
            pass  # some cell is written in another way, or is not a number
        text, good = cells, pc.match_substring_regex(cells, _ALLOWED[self.decimal])
        if pc.all(good).as_py() is not True:
            text = _plain(name, cells, "e{}")
            if name != "volume":
                self._note_currency(cells)
            good = pc.match_substring_regex(text, _ALLOWED[self.decimal])
            text = pc.if_else(good, text, None)
        for mark in (" ", "'", _other(self.decimal)):
            text = pc.replace_substring(text, mark, "")
        return pc.replace_substring(text, self.decimal, ".").cast(pa.float64())

    def _note_currency(self, cells: Column) -> None:
        """Refuse prices in several currencies."""
        marks = pc.unique(pc.replace_substring_regex(cells, rf"^[^\p{{Sc}}A-Z]*({_CURRENCY})?.*$", r"\1"))
        for mark in sorted(set(marks.to_pylist()) - {"", None}):
            if self.currency not in {"", mark}:
                raise UnreadableFileError(
                    f"{self.path}: some prices are in {self.currency} and others in {mark}; "
                    "put each currency into a file of its own"
                )
            self.currency = mark


def _plain(name: str, cells: Column, scale: str) -> Column:
    """Remove what is not part of the numbers: surrounding blanks, a currency, and suffixes of volumes.

    ``scale`` is the replacement for such a suffix, with the power of ten that it means.
    """
    text = as_text(cells)
    for pattern, by in _SAME:
        text = pc.replace_substring_regex(text, pattern, by)
    text = pc.utf8_trim_whitespace(text)
    if name == "volume":
        for endings, power in _SCALES.items():
            text = pc.replace_substring_regex(text, rf"^([\d., ']*\d) ?(?i:{endings})$", r"\1" + scale.format(power))
        return text
    text = pc.replace_substring_regex(text, rf"^([+-]?) ?{_CURRENCY} ?([+-]?[\d.,])", r"\1\2")
    return pc.replace_substring_regex(text, rf"([\d.,]) ?{_CURRENCY}$", r"\1")
