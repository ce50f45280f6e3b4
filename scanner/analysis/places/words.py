"""Places in words: what ``structure.look`` found, as named places with prices, and the safest of them."""

from __future__ import annotations

from decimal import Decimal
from math import isnan
from typing import TYPE_CHECKING, Any

from scanner.analysis.numbers import number
from scanner.analysis.places.lacks import (
    AGAINST,
    APART,
    AWAY,
    CLOSE_BEYOND,
    DEPTH,
    LAST_POINT,
    RISE,
    SLOPE,
    TOUCHES,
)
from scanner.analysis.places.levels import POINTS_OF_A_LEVEL

if TYPE_CHECKING:
    from collections.abc import Callable

    from scanner.analysis.rules import Rules
    from scanner.event_data import Place, PlaceFound

PLACE_NAMES: tuple[Place, ...] = ("line", "average", "level", "turn")
"""The safest first. Line and average are equally safe; the line is named first."""


def describe(
    found: Any,
    rules: Rules,
    sign: int,
    atr: float,
    nearest: Callable[[Decimal], Decimal],
) -> dict[str, PlaceFound]:
    """Turn the PLACES record ``found`` into named places; ``nearest`` rounds a price to the instrument's step.

    The text also says what a place lacks in the strict reading.
    """
    found = dict(zip(found.dtype.names, found.item(), strict=True))  # its fields, one by one, take longer
    strict = rules.place_quality == "strict"
    tolerance = rules.place_tolerance if strict else rules.plain_tolerance
    window = rules.turn_window if strict else rules.plain_turn_window
    least_depth = rules.turn_depth if strict else rules.plain_turn_depth
    bottom = float(found["bottom_price"])
    low = "low" if sign > 0 else "high"
    end = f"the pullback's {low}"

    def in_atr(distance: float) -> float:
        return distance / atr if atr else float("nan")

    def place(name: Place, price: float, measured: float, threshold: str, text: str) -> PlaceFound:
        return {
            "measured": number(measured),
            "threshold": threshold,
            "verdict": bool(found[name]),
            "text": text,
            "price": None if isnan(price) else f"{nearest(Decimal(repr(price))):f}",
        }

    def near(name: Place, price: float, text: str) -> PlaceFound:
        return place(name, price, in_atr(abs(bottom - price)), f"<= {tolerance:g}", text)

    line = f"no trend line at {end}"
    if found["line_touches"]:
        line = _joined(
            f"{end} in ATR from a trend line with {found['line_touches']} touches, "
            f"{found['line_from'] - found['line_to']} bars",
            _line_lacks(found, rules, sign, in_atr),
        )
    average = f"no average is {'rising' if sign > 0 else 'falling'}"
    if found["average_length"]:
        average = _joined(
            f"{end} in ATR from the {found['average_length']}-bar average", _average_lacks(found, rules, sign, in_atr)
        )
    turn = f"move in ATR to {end}, " + ("the" if found["turn_lowest"] else "which is not the")
    turn += f" {low}est of {window} bars" + (", against the trend" if strict and found["trend"] < 0 else "")
    return {
        "line": near("line", float(found["line_price"]), line),
        "average": near("average", float(found["average_price"]), average),
        "level": place(
            "level",
            float(found["level_price"]),
            float(found["level_points"]),
            f">= {POINTS_OF_A_LEVEL}",
            _joined(f"swing points within {tolerance:g} ATR of {end}", _level_lacks(found, rules, in_atr)),
        ),
        "turn": place("turn", bottom, in_atr(float(found["turn_depth"])), f">= {least_depth:g}", turn),
    }


def _joined(text: str, lacks: list[str]) -> str:
    return f"{text}, but {', '.join(lacks)}" if lacks else text


def _line_lacks(found: Any, rules: Rules, sign: int, in_atr: Callable[[float], float]) -> list[str]:
    low, beyond = ("low", "below") if sign > 0 else ("high", "above")
    slope, depth = in_atr(sign * float(found["line_slope"])), in_atr(float(found["line_depth"]))
    last = found["line_to"] - found["bottom"]
    return _those(
        found["line_lacks"],
        {
            LAST_POINT: f"its last point is {last} bars before the {low} (wanted {rules.line_last_gap})",
            SLOPE: f"it moves {slope:.3g} ATR a bar (wanted {rules.line_slope_min:g} to {rules.line_slope_max:g})",
            DEPTH: f"a {low} is {depth:.3g} ATR {beyond} it (wanted at most {rules.line_depth:g})",
            TOUCHES: f"wanted are {rules.line_touches} touches or {rules.line_long} bars",
            AWAY: _not_away(in_atr(float(found["line_away"])), rules.line_away),
            AGAINST: "the trend is against it",
        },
    )


def _average_lacks(found: Any, rules: Rules, sign: int, in_atr: Callable[[float], float]) -> list[str]:
    fast = found["average_length"] == rules.fast_average
    least = rules.fast_average_rise if fast else rules.slow_average_rise
    rise, beyond = in_atr(float(found["average_rise"])), "above" if sign > 0 else "below"
    return _those(
        found["average_lacks"],
        {
            RISE: f"it moved {rise:.3g} ATR in {rules.average_rise} bars (wanted {least:g})",
            CLOSE_BEYOND: f"the close is not {beyond} it",
            AWAY: _not_away(in_atr(float(found["average_away"])), rules.average_away),
            AGAINST: "the trend is against it",
        },
    )


def _level_lacks(found: Any, rules: Rules, in_atr: Callable[[float], float]) -> list[str]:
    apart = found["level_from"] - found["level_to"]
    return _those(
        found["level_lacks"] if found["level_points"] >= POINTS_OF_A_LEVEL else 0,
        {
            APART: f"they lie within {apart} bars (wanted {rules.level_gap})",
            AWAY: _not_away(in_atr(float(found["level_away"])), rules.level_away),
        },
    )


def _not_away(distance: float, wanted: float) -> str:
    return f"price was only {max(distance, 0.0):.3g} ATR away in between (wanted {wanted:g})"


def _those(lacks: int, words: dict[int, str]) -> list[str]:
    return [text for bit, text in words.items() if lacks & bit]


def safest(places: dict[str, PlaceFound]) -> Place | None:
    """Name the safest place that holds, None if none does."""
    return next((name for name in PLACE_NAMES if places[name]["verdict"]), None)
