"""The parts of the reference pages that are made from the models, each between two marks.

A part begins with ``<!-- made: NAME -->`` and ends with ``<!-- end -->``.
"""

from __future__ import annotations

import re
from importlib.metadata import entry_points
from pathlib import Path
from typing import TYPE_CHECKING

from scanner.analysis.door.known_setups import known
from scanner.analysis.rules import Rules
from scanner.configuration.model.page import Page
from scanner.configuration.model.tables import (
    CostSettings,
    GroupSettings,
    InstrumentSettings,
    KeptStudy,
    Quiet,
    Route,
    Split,
    StationSettings,
)
from scanner.events import KINDS
from scanner.trade.following import Follow
from scanner.trade.limits import Limits
from scanner.trade.size import Account
from scanner.trade.surroundings import Surroundings
from tests.reference.models import table

if TYPE_CHECKING:
    from collections.abc import Mapping

PAGES = (Path("config/README.md"), Path("adapters/README.md"), Path("scanner/README.md"))
PART = re.compile(r"(<!-- made: ([\w.]+) -->\n).*?(<!-- end -->)", re.DOTALL)


def page(path: Path) -> str:
    """Give a page with each part as it is made now; KeyError for a part that nothing makes."""
    parts = made()
    return PART.sub(lambda found: f"{found[1]}{parts[found[2]]}\n{found[3]}", path.read_text(encoding="utf-8"))


def made() -> Mapping[str, str]:
    """Give every part by its name."""
    shared = InstrumentSettings.model_fields
    parts = {
        "station": table(StationSettings),
        "account": table(Account),
        "limits": table(Limits),
        "surroundings": table(Surroundings),
        "follow": table(Follow),
        "study": table(KeptStudy),
        "page": table(Page),
        "route": table(Route),
        "quiet": table(Quiet),
        "instrument": table(InstrumentSettings),
        "group": table(GroupSettings, without=shared),
        "costs": table(CostSettings),
        "split": table(Split),
        "rules": table(Rules),
        "setups": _setups(),
        "kinds": _kinds(),
    }
    for kind in ("feeds", "sinks"):
        for entry in entry_points(group=f"closewatch.{kind}"):
            parts[f"{kind}.{entry.name}"] = table(entry.load().Settings)
    return parts


def _setups() -> str:
    told = []
    for name, setup in sorted(known().items()):
        letters = ", ".join(f"{letter} {words}" for letter, words in setup.bars)
        told += [f"### `{name}`", "", setup.summary, "", f"Bars: {letters}.", "", table(setup.numbers), ""]
    return "\n".join(told).rstrip()


def _kinds() -> str:
    rows = ["| kind | one of these | story | urgency |", "|---|---|---|---|"]
    for kind, facts in KINDS.items():
        story = "begins one" if facts.begins else "ends one" if facts.ends else "goes on" if facts.follows else "-"
        asked = ", only where a route names it" if facts.on_request else ""
        rows.append(f"| `{kind}` | {facts.counted[0]} | {story} | {facts.urgency}{asked} |")
    return "\n".join(rows)
