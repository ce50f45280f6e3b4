"""The six questions of ``closewatch new``: the answer each offers, and the checks of each answer."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING

from scanner.market.sessions.calendars import calendar_named
from scanner.market.sessions.timeframes import Timeframe

if TYPE_CHECKING:
    from collections.abc import Callable

PLACES = {"terminal": ("screen", "console"), "desktop": ("desk", "desktop")}
"""Where alerts can go: the name of the sink for it, and its type."""


@dataclass(frozen=True, slots=True)
class Answers:
    """The answers so far; what was not asked yet has its default.

    ``instruments`` has the price step of each. ``equity`` and ``currency`` are empty if no size is wanted.
    """

    folder: Path = Path()
    instruments: tuple[tuple[str, str], ...] = ()
    calendar: str = ""
    timeframes: tuple[str, ...] = ()
    equity: str = ""
    currency: str = ""
    places: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Question:
    """One question: its text, the answer it offers, if any, and what an answer adds.

    ``take`` raises a ValueError with a sentence for an invalid answer.
    """

    words: str
    offered: str
    take: Callable[[Answers, str], Answers]


def _folder(answers: Answers, text: str) -> Answers:
    path = Path(text).expanduser()
    if not path.is_dir():
        raise ValueError(f"{path} is not a folder; give the folder that holds the files")
    return replace(answers, folder=path.absolute())


def _instruments(answers: Answers, text: str) -> Answers:
    found: dict[str, str] = {}
    for part in filter(None, (each.strip() for each in text.split(","))):
        name, _, step = part.rpartition(" ")
        if not _is_above_0(step) or not name.strip():
            raise ValueError(f'"{part}" needs a name and a price step, such as HARBOUR 0.01')
        if name.strip() in found:
            raise ValueError(f"{name.strip()} is named twice")
        found[name.strip()] = step
    if not found:
        raise ValueError("name at least one instrument, such as HARBOUR 0.01")
    return replace(answers, instruments=tuple(found.items()))


def _calendar(answers: Answers, text: str) -> Answers:
    return replace(answers, calendar=calendar_named(text).name)


def _timeframes(answers: Answers, text: str) -> Answers:
    names = {Timeframe.named(each) for each in re.split(r"[,\s]+", text) if each}
    if not names:
        raise ValueError("name at least one timeframe, such as 1h")
    return replace(answers, timeframes=tuple(each.name for each in sorted(names)))


def _account(answers: Answers, text: str) -> Answers:
    if text == "none":
        return replace(answers, equity="", currency="")
    equity, _, currency = text.partition(" ")
    if not _is_above_0(equity) or not re.fullmatch("[A-Z]{3}", currency.strip()):
        raise ValueError(f'"{text}" is not an amount and a currency, such as 50000 EUR; or answer none')
    if re.fullmatch(r"\d{1,3}\.\d{3}", equity):
        whole = equity.replace(".", "")
        raise ValueError(f'"{equity}" may be a thousand times as much; write {whole} or {equity[:-1]}')
    return replace(answers, equity=equity, currency=currency.strip())


def _places(answers: Answers, text: str) -> Answers:
    named = tuple(PLACES) if text == "both" else re.split(r"[,\s]+|\band\b", text)
    places = tuple(dict.fromkeys(each for each in named if each))
    if not places or not set(places) <= set(PLACES):
        raise ValueError(f'"{text}" is not one of: {", ".join(PLACES)}, or both')
    return replace(answers, places=places)


def _is_above_0(text: str) -> bool:
    return re.fullmatch(r"\d+(\.\d+)?", text) is not None and Decimal(text) > 0


QUESTIONS = (
    Question("Which folder holds the files of bars, one file for each instrument and timeframe?", "", _folder),
    Question("Which instruments, each with its price step (HARBOUR 0.01, MILL 0.05)?", "", _instruments),
    Question(
        "Which sessions do they trade in: an exchange's code such as XNYS, 24/7, 24/5, or none if you do not know?",
        "none",
        _calendar,
    ),
    Question("Which timeframes?", "1h, 1d", _timeframes),
    Question(
        "How much money is in the account, in the currency of the prices (such as 50000 EUR)?\n"
        "   With it each alert gives a size at 1 % risk.",
        "none",
        _account,
    ),
    Question("Where should alerts go: terminal, desktop, or both (terminal, desktop)?", "terminal", _places),
)
