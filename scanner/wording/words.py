"""What all texts have in common: their parts, their plain form, and how names and numbers are written."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING, get_args

from scanner.event_data import State
from scanner.market.digits import THIN_SPACE, grouped
from scanner.wording.text import plain

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

HEADLINE_LENGTH = 200
TITLE_LENGTH = 90
NAME_LENGTH = 32
SHORTEST_NAME = 12
"""A headline whose prices leave less room than this for a name becomes longer than its length instead."""
TEXT_LENGTH = 300
NAMED = 3
"""How many instruments, series or files are named; the others are counted."""
NUMBERS = f"In numbers a point is the decimal mark, and thousands are separated by a thin space (12{THIN_SPACE}345.60)."
STATE_WORDS: dict[State, str] = {
    **{state: state.replace("_", " ") for state in get_args(State)},
    "left": "exited",
    "left_on_pressure": "pressure exit",
}
"""The states of a story in tables."""
RIGHT_TO_LEFT = {"R", "AL"}
LEFT_TO_RIGHT_MARK = "\u200e"
MARKS = 2
PLAIN_WORD = re.compile(r"[a-zß-öø-ÿ]+(?:['\u2019][a-z]+)?[,;.!?…)]?(?:\s|$)")
"""A sentence that starts with a word: not a path, address, file, quoted text, or the name of its subject."""


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
    """An event in words. All texts are safe to show: single lines without hidden characters.

    ``headline`` is complete in itself, for a setup the line to act on; ``news`` is its news about a setup, without the
    setup's name, and ``title`` its subject in brief. ``lead`` says what happened and when, in a sentence or two, and
    ``against`` what speaks against acting on it. ``orders`` are those that are valid now. ``figures`` are the key
    figures for a glance; ``levels`` begin with those to act on, and ``glance`` is what matters in the tables beyond
    the headline. ``wrong`` says where the idea is wrong, or what would change it. ``folded`` is ``why`` in one line.
    ``record`` gives the results of setups of its kind so far. ``parts`` are the alerts of a digest. All but the
    headline may be empty.
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
        """The title of ``why``: reasons if there are levels to act on, else details."""
        return "Why, rule by rule" if self.levels else "Details"

    def plain(self) -> str:
        """Give everything as text, beginning with what to act on; the alerts of a digest in brief."""
        blocks = [self.headline, self.lead, self.orders, self.against, _titled("Levels", self.levels)]
        # Without levels, the details are the main thing; else they come last.
        why = _titled(self.why_title, self.why)
        blocks += [] if self.levels else [why]
        blocks += [self.wrong, self.folded]
        blocks += [f"{number}. {part.headline}\n{part.brief()}" for number, part in enumerate(self.parts, start=1)]
        blocks += [self.record, self.caution, *([why] if self.levels else [])]
        blocks += [NUMBERS] if self.caution else []
        return "\n\n".join(block.rstrip() for block in blocks if block) + "\n"

    def brief(self, most: int | None = None) -> str:
        """Give what matters beyond the headline in a few lines, without the caution.

        For a digest these are the headlines, ``most`` of them at most, and the number of the others.
        """
        heads = [part.headline for part in self.parts[:most]]
        if len(heads) < len(self.parts):
            heads.append(f"and {grouped(len(self.parts) - len(heads))} more")
        lines = (self.lead, self.orders, self.against, self.glance, self.wrong, self.record, *heads)
        return "\n".join(line for line in lines if line)

    def notification(self, most: int | None = None) -> tuple[str, str]:
        """Give title and text of a notification; the text begins with the line to act on."""
        if not self.title:
            return self.headline, "\n".join(filter(None, (self.brief(most), self.caution)))
        return self.title, "\n".join(filter(None, (self.headline, self.brief(most), self.caution)))


def _titled(title: str, lines: tuple[Line, ...]) -> str:
    return "\n".join([title, *(f"  {line.plain()}" for line in lines)]) if lines else ""


def name(text: str, limit: int = NAME_LENGTH) -> str:
    r"""Give a name from outside, safe in a sentence and cut to ``limit``.

    A name written from right to left is put between two marks that keep the numbers around it on their side.

    >>> name("  A\nB "), name(" ")
    ('A<000A>B', 'unnamed')
    """
    shown = plain(text.strip(), limit) or "unnamed"
    turned = any(unicodedata.bidirectional(one) in RIGHT_TO_LEFT for one in shown)
    return f"{LEFT_TO_RIGHT_MARK}{shown}{LEFT_TO_RIGHT_MARK}" if turned else shown


def phrase(text: str) -> str:
    """Give a reason from outside, safe and cut to a readable length."""
    return plain(text.strip(), TEXT_LENGTH)


def sentence(text: str) -> str:
    """Make a sentence of a reason from outside. It gets a capital only if it begins with a plain word.

    >>> sentence("no answer"), sentence("bars/a.csv: no bar"), sentence("patience: too short")
    ('No answer.', 'bars/a.csv: no bar.', 'patience: too short.')
    """
    shown = capital(phrase(text))
    return shown and shown + ("" if shown[-1] in ".!?…" else ".")


def ended(text: str) -> str:
    """Make a text from outside fit after a colon."""
    shown = phrase(text)
    return shown + ("" if shown[-1:] in {"", *".!?…"} else ".")


def capital(text: str) -> str:
    """Give a text a capital if it begins with a plain word."""
    return text[0].upper() + text[1:] if PLAIN_WORD.match(text) else text


def headline(before: str, text: str, after: str, length: int = HEADLINE_LENGTH) -> str:
    """Write a headline around a name from outside, cut so that the whole keeps to its length."""
    room = length - len(before) - len(after)
    return before + name(text, min(NAME_LENGTH, max(SHORTEST_NAME, room - MARKS))) + after


def number(value: float | None) -> str:
    """Write a measured value to four digits, however small or great; a dash if nothing was measured.

    >>> number(1.61803), number(0.0000161), number(1234567.0), number(None)
    ('1.618', '0.0000161', '1235000', '-')
    """
    return "-" if value is None else f"{Decimal(f'{value:.4g}'):f}"


def money(value: Decimal) -> str:
    """Write a gain or a loss to hundredths; if it is less than one of these, to two digits.

    >>> money(Decimal("1166.2")), money(Decimal("-12.1254")), money(Decimal("0.000123")), money(Decimal("-0.0"))
    ('+1166.20', '-12.13', '+0.00012', '+0.00')
    """
    digits = 2 if not value or abs(value) >= Decimal("0.01") else 1 - value.adjusted()
    return f"{round(value, digits) + 0:+f}"  # so that zero has no sign


def compared(text: str) -> str:
    """Make a text from outside safe, and print its signs of comparison properly.

    >>> compared("R in steps 19, wanted >= 20")
    'R in steps 19, wanted ≥ 20'
    """
    return phrase(text).replace(">=", "≥").replace("<=", "≤")


def threshold(text: str) -> str:
    """Say with what a measured value is compared.

    >>> threshold(">= 0.5"), threshold("0.5 to 2"), threshold("covers it")
    ('wanted ≥ 0.5', 'wanted 0.5 to 2', 'covers it')
    """
    shown = compared(text)
    return shown if shown[:1].isalpha() else f"wanted {shown}"


def by_reason(counts: Mapping[str, int]) -> str:
    """Give counts by reason, sorted by it.

    >>> by_reason({"no trade": 1200, "bad tick": 3})
    '3 bad tick, 1,200 no trade'
    """
    return ", ".join(f"{count:,} {reason}" for reason, count in sorted(counts.items()))


def counted(count: int, one: str, several: str = "", digits: Callable[[int], str] = "{:,}".format) -> str:
    """Count things; ``digits`` writes the number.

    >>> counted(1, "bar"), counted(4032, "bar"), counted(0, "series", "series")
    ('1 bar', '4,032 bars', '0 series')
    """
    return f"{digits(count)} {one if count == 1 else several or one + 's'}"


def number_of(count: int, one: str, several: str = "") -> str:
    """Count things in a message or on the page, where a comma would pass for a decimal mark: as in ``grouped``.

    >>> number_of(1, "bar"), number_of(4032, "bar"), number_of(12345, "bar").replace(THIN_SPACE, " ")
    ('1 bar', '4032 bars', '12 345 bars')
    """
    return counted(count, one, several, grouped)


def named(names: Sequence[str]) -> str:
    """Name the first few, and count the others.

    >>> named(["A", "B"]), named(["A", "B", "C", "D"])
    ('A, B', 'A, B, C and 1 more')
    """
    return ", ".join(names[:NAMED]) + (f" and {len(names) - NAMED:,} more" if len(names) > NAMED else "")
