"""Marks that show whether rules and costs are the same, including the code of a user's own setups.

A mark is half of a SHA-256, in hexadecimal digits. Other releases of the program do not change a mark.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING

from scanner.market.costs import Costs

if TYPE_CHECKING:
    from collections.abc import Iterable

    from scanner.analysis.door.setup import Chosen
    from scanner.configuration.model.settings import Settings
    from scanner.trade.rulebook import Rulebook

HOUSE = Path(__file__).parents[2]


def mark_of(*told: object) -> str:
    """Make a mark from the values that tell things apart; each must be written the same in every run."""
    return sha256(repr(told).encode(errors="surrogatepass")).hexdigest()[:32]


def books_of(settings: Settings | None, rulebook: Rulebook, instruments: Iterable[str]) -> dict[str, Rulebook]:
    """Give the rules for instruments: those of the settings, else the rulebook, as for those not listed there."""
    listed = {} if settings is None else settings.instruments
    return {
        name: settings.rulebook_of(name) if settings is not None and name in listed else rulebook
        for name in instruments
    }


def marks_of(settings: Settings | None, rulebook: Rulebook, instruments: Iterable[str]) -> dict[str, str]:
    """Mark the rules and costs for each instrument. Settings of alerts do not change a mark."""
    marks: dict[str, str] = {}
    made: dict[tuple[int, Costs], str] = {}
    for name, book in books_of(settings, rulebook, instruments).items():
        costs = settings.costs_of(name) if settings is not None and name in settings.instruments else Costs()
        if (known := made.get((id(book), costs))) is None:
            told = replace(book, follow=book.follow.model_copy(update={"which": "all"})).told
            known = made[id(book), costs] = mark_of(told, [_code_of(each) for each in book.setups], costs)
        marks[name] = known
    return marks


def rules_marks(settings: Settings | None, rulebook: Rulebook, instruments: Iterable[str]) -> tuple[str, ...]:
    """Mark the rules and costs for instruments, each of them once, in order."""
    return tuple(sorted(set(marks_of(settings, rulebook, instruments).values())))


def _code_of(chosen: Chosen) -> str:
    """Mark the files of a user's own setup; empty for built-in ones."""
    functions = (chosen.setup.measure, chosen.setup.find, chosen.setup.weigh, chosen.setup.words)
    paths = {Path(str(sys.modules[each.__module__].__file__)) for each in functions}
    own = sorted(path for path in paths if not path.is_relative_to(HOUSE))
    return mark_of(*(path.read_bytes() for path in own)) if own else ""
