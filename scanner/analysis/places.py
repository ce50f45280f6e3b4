"""Places in words: what ``structure.look`` found, as named places with prices, and the safest of them."""

from __future__ import annotations

from decimal import Decimal
from math import isnan
from typing import TYPE_CHECKING, Any

from scanner.analysis.numbers import number
from scanner.analysis.structure import POINTS_OF_A_LEVEL

if TYPE_CHECKING:
    from collections.abc import Callable

    from scanner.analysis.rules import Rules
    from scanner.events import Place, PlaceFound

PLACE_NAMES: tuple[Place, ...] = ("line", "average", "level", "turn")
"""From the safest on. Line and average are equally safe; the line is named first."""


def describe(
    found: Any,  # noqa: ANN401 - a PLACES record
    rules: Rules,
    sign: int,
    atr: float,
    nearest: Callable[[Decimal], Decimal],
) -> dict[str, PlaceFound]:
    """Put what was found into named places; ``nearest`` rounds a price to the instrument's step."""
    bottom = float(found["bottom_price"])
    low, up = ("low", "up") if sign > 0 else ("high", "down")
    end = f"the pullback's {low}"

    def place(name: Place, price: float, measured: float, threshold: str, text: str) -> PlaceFound:
        return {
            "measured": number(measured),
            "threshold": threshold,
            "verdict": bool(found[name]),
            "text": text,
            "price": None if isnan(price) else f"{nearest(Decimal(repr(price))):f}",
        }

    def apart(price: float) -> float:
        return abs(bottom - price) / atr if atr else float("nan")

    near = f"<= {rules.place_tolerance:g}"
    line_price, average_price = float(found["line_price"]), float(found["average_price"])
    touches, points = int(found["line_touches"]), int(found["level_points"])
    length, depth = int(found["average_length"]), float(found["turn_depth"])
    return {
        "line": place(
            "line",
            line_price,
            apart(line_price),
            near,
            f"{end} in ATR from a trend line with {touches} touches" if touches else f"no trend line at {end}",
        ),
        "average": place(
            "average",
            average_price,
            apart(average_price),
            near,
            f"{end} in ATR from the {length}-bar average" if length else f"no average is going {up}",
        ),
        "level": place(
            "level",
            float(found["level_price"]),
            float(points),
            f">= {POINTS_OF_A_LEVEL}",
            f"swing points within {rules.place_tolerance:g} ATR of {end}",
        ),
        "turn": place(
            "turn",
            bottom,
            depth / atr if atr else float("nan"),
            f">= {rules.turn_depth:g}",
            f"move in ATR to {end}, the {low}est of {rules.turn_window} bars"
            if found["turn_lowest"]
            else f"move in ATR to {end}, which is not the {low}est of {rules.turn_window} bars",
        ),
    }


def safest(places: dict[str, PlaceFound]) -> Place | None:
    """Name the safest place that holds, None where none does."""
    return next((name for name in PLACE_NAMES if places[name]["verdict"]), None)
