"""The levels of a setup as a chart names them: one label each, in the order of their prices."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from scanner.present.chart.look import BROKEN, DASHED, DOTTED, ENTRY, GOAL, OBSTACLE, PLACE, SOLID, STOP

if TYPE_CHECKING:
    from scanner.event_data import SetupData
    from scanner.present.chart.picture import Mark


@dataclass(frozen=True, slots=True)
class Level:
    """A price with its label; ``line`` is a line style and ``width`` its width in pixels."""

    price: float
    label: str
    color: str
    line: Any
    width: float
    bold: bool = False


def levels_of(setup: SetupData, mark: Mark | None) -> list[Level]:
    """List all levels, the lowest first: entries, stop, objectives, obstacle and place."""
    chosen, levels = setup["entry_style"], setup["levels"]
    found = [_level(f"stop {levels['stop']}", levels["stop"], STOP, SOLID, 2.6, bold=True)]
    for style, entry in setup["entries"].items():
        if entry["price"] is None:
            continue
        if style == chosen:
            found.append(_level(f"entry {entry['price']}", entry["price"], ENTRY, SOLID, 2.6, bold=True))
        else:
            found.append(_level(f"or {style} {entry['price']}", entry["price"], ENTRY, DASHED, 1.2))
    for times, price in enumerate(levels["objectives"], start=1):
        found.append(_level(f"{times}R {price}", price, GOAL, DOTTED, 2.2))
    if levels["obstacle"] is not None:
        found.append(_level(f"obstacle {levels['obstacle']}", levels["obstacle"], OBSTACLE, BROKEN, 1.8))
    if mark is not None and (place := setup["places"][mark.place]["price"]) is not None:
        found.append(_level(f"at {mark.place} {place}", place, PLACE, DOTTED, 1.2))
    return sorted(found, key=lambda level: level.price)


def _level(label: str, price: str, color: str, line: Any, width: float, *, bold: bool = False) -> Level:  # noqa: ANN401 - the library's line styles are names or tuples
    return Level(float(price), label, color, line, width, bold)
