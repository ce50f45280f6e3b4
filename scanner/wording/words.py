"""What all words have in common: their parts, their plain form, and how names and numbers are written."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING

from scanner.market.digits import THIN_SPACE, grouped
from scanner.wording.text import plain

if TYPE_CHECKING:
    from collections.abc import Callable

HEADLINE_LENGTH = 200
TITLE_LENGTH = 90
NAME_LENGTH = 32
SHORTEST_NAME = 12
"""A line whose prices leave a name less room than this grows beyond its length instead."""
TEXT_LENGTH = 300
NUMBERS = f"In numbers a point is the decimal mark, and thousands are set apart by a thin space (12{THIN_SPACE}345.60)."
RIGHT_TO_LEFT = {"R", "AL"}
LEFT_TO_RIGHT_MARK = "\u200e"
MARKS = 2
PLAIN_WORD = re.compile(r"[a-zß-öø-ÿ]+(?:['\u2019][a-z]+)?[,;.!?…)]?(?:\s|$)")
"""The start of a sentence in words: no path, address, file, quoted text, or name of what the rest is about."""


@dataclass(frozen=True, slots=True)
class Line:
    """One fact: what it is, its value, and a note that may be empty."""

    name: str
    value: str
    note: str = ""

    def plain(self) -> str:
        """Give it as a line of text.

        >>> Line("stop", "100.15", "0.06 beyond the last bar's low").plain()
        "stop: 100.15 (0.06 beyond the last bar's low)"
        """
        return f"{self.name}: {self.value}" + (f" ({self.note})" if self.note else "")


@dataclass(frozen=True, slots=True)
class Words:
    """An event in words. All text is safe to show: one line each, no hidden character.

    ``headline`` is complete in itself, of a setup the line one acts on; ``news`` is what it says of a setup, without
    that setup's name, and ``title`` names in brief what it is about. ``lead`` says what happened and when, in a
    sentence or two, and ``against`` what speaks against acting on it. ``orders`` are those that are valid now.
    ``figures`` are the key figures for a glance; ``levels`` begin with those one acts on, and ``glance`` is what
    matters of the tables beyond the headline. ``wrong`` says what would prove it wrong, or change it. ``folded`` is
    ``why`` in a line. ``record`` says what setups of its kind have come to so far. ``parts`` are the alerts of a
    digest. Any of these but the headline may be empty.
    """

    headline: str
    title: str = ""
    news: str = ""
    lead: str = ""
    against: str = ""
    orders: str = ""
    figures: tuple[Line, ...] = ()
    glance: str = ""
    why: tuple[Line, ...] = ()
    levels: tuple[Line, ...] = ()
    wrong: str = ""
    folded: str = ""
    record: str = ""
    caution: str = ""
    parts: tuple[Words, ...] = ()

    @property
    def why_title(self) -> str:
        """What stands above ``why``: reasons where there are levels to act on, else details."""
        return "Why, rule by rule" if self.levels else "Details"

    def plain(self) -> str:
        """Give everything as text, what one acts on first; the alerts of a digest in brief."""
        blocks = [self.headline, self.lead, self.orders, self.against, _titled("Levels", self.levels)]
        # Without levels the details are what there is to see; else they come last.
        why = _titled(self.why_title, self.why)
        blocks += [] if self.levels else [why]
        blocks += [self.wrong, self.folded]
        blocks += [f"{number}. {part.headline}\n{part.brief()}" for number, part in enumerate(self.parts, start=1)]
        blocks += [self.record, self.caution, *([why] if self.levels else [])]
        blocks += [NUMBERS] if self.caution else []
        return "\n\n".join(block.rstrip() for block in blocks if block) + "\n"

    def brief(self, most: int | None = None) -> str:
        """Give what matters beyond the headline in a few lines, without the caution.

        Of a digest these are the headlines, at most so many of them, and the number of the others.
        """
        heads = [part.headline for part in self.parts[:most]]
        if len(heads) < len(self.parts):
            heads.append(f"and {grouped(len(self.parts) - len(heads))} more")
        lines = (self.lead, self.orders, self.against, self.glance, self.wrong, self.record, *heads)
        return "\n".join(line for line in lines if line)

    def notification(self, most: int | None = None) -> tuple[str, str]:
        """Give title and text of a notification: the text begins with the line one acts on."""
        if not self.title:
            return self.headline, "\n".join(filter(None, (self.brief(most), self.caution)))
        return self.title, "\n".join(filter(None, (self.headline, self.brief(most), self.caution)))


def _titled(title: str, lines: tuple[Line, ...]) -> str:
    return "\n".join([title, *(f"  {line.plain()}" for line in lines)]) if lines else ""


def name(text: str, limit: int = NAME_LENGTH) -> str:
    r"""Give a name from outside, safe to stand in a sentence and cut to ``limit``.

    A name written from right to left stands between two marks that keep the numbers around it on their side.

    >>> name("  A\nB "), name(" ")
    ('A<000A>B', 'unnamed')
    """
    shown = plain(text.strip(), limit) or "unnamed"
    turned = any(unicodedata.bidirectional(one) in RIGHT_TO_LEFT for one in shown)
    return f"{LEFT_TO_RIGHT_MARK}{shown}{LEFT_TO_RIGHT_MARK}" if turned else shown


def phrase(text: str) -> str:
    """Give a reason from outside, safe and cut to a length that can be read."""
    return plain(text.strip(), TEXT_LENGTH)


def sentence(text: str) -> str:
    """Make a sentence of a reason from outside. What it begins with has a capital only if that is a plain word.

    >>> sentence("no answer"), sentence("bars/a.csv: no bar"), sentence("patience: too short")
    ('No answer.', 'bars/a.csv: no bar.', 'patience: too short.')
    """
    shown = capital(phrase(text))
    return shown and shown + ("" if shown[-1] in ".!?…" else ".")


def capital(text: str) -> str:
    """Begin a text with a capital, if what it begins with is a plain word."""
    return text[0].upper() + text[1:] if PLAIN_WORD.match(text) else text


def headline(write: Callable[[str], str], text: str, length: int = HEADLINE_LENGTH) -> str:
    """Write a headline around a name that is cut so that the whole stays within its length."""
    room = length - len(write(""))
    return write(name(text, min(NAME_LENGTH, max(SHORTEST_NAME, room - MARKS))))


def number(value: float | None) -> str:
    """Write a measured value to four digits, however small or great; a dash where nothing was measured.

    >>> number(1.61803), number(0.0000161), number(1234567.0), number(None)
    ('1.618', '0.0000161', '1235000', '-')
    """
    return "-" if value is None else f"{Decimal(f'{value:.4g}'):f}"


def minus(text: str) -> str:
    """Write the minus sign of a number as one.

    >>> minus("-0.40 R")
    '−0.40 R'
    """
    return text.replace("-", "−", 1) if text.startswith("-") else text


def money(value: Decimal) -> str:
    """Write a gain or a loss to hundredths; what is less than one of these, to two digits.

    >>> money(Decimal("1166.2")), money(Decimal("-12.1254")), money(Decimal("0.000123")), money(Decimal("-0.0"))
    ('+1166.20', '-12.13', '+0.00012', '+0.00')
    """
    digits = 2 if not value or abs(value) >= Decimal("0.01") else 1 - value.adjusted()
    return f"{round(value, digits) + 0:+f}"  # so that zero has no sign


def compared(text: str) -> str:
    """Give a text from outside, safe, with the signs of comparison as they are printed.

    >>> compared("R in steps 19, wanted >= 20")
    'R in steps 19, wanted ≥ 20'
    """
    return phrase(text).replace(">=", "≥").replace("<=", "≤")


def threshold(text: str) -> str:
    """Say what a measured value is held against.

    >>> threshold(">= 0.5"), threshold("0.5 to 2"), threshold("covers it")
    ('wanted ≥ 0.5', 'wanted 0.5 to 2', 'covers it')
    """
    shown = compared(text)
    return shown if shown[:1].isalpha() else f"wanted {shown}"


def number_of(count: int, one: str, several: str = "") -> str:
    """Count things in a message, where digits stand in groups as ``grouped`` has them.

    >>> number_of(1, "bar"), number_of(0, "series", "series"), number_of(12345, "bar").replace(THIN_SPACE, " ")
    ('1 bar', '0 series', '12 345 bars')
    """
    return f"{grouped(count)} {one if count == 1 else several or one + 's'}"


def counted(count: int, one: str, several: str = "") -> str:
    """Count things.

    >>> counted(1, "bar"), counted(4032, "bar"), counted(0, "series", "series")
    ('1 bar', '4,032 bars', '0 series')
    """
    return f"{count:,} {one if count == 1 else several or one + 's'}"
