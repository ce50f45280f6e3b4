"""Shapes of messages with bars, and the settings of a feed that read them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from adapters.feeds.json_rows import FACTORS
from scanner.events import rfc3339
from tests.fuzz.onward import SECOND, TAPE

if TYPE_CHECKING:
    from collections.abc import Callable

START = 1_772_467_200
"""2026-03-02T16:00:00Z, in seconds since 1970."""

Row = dict[str, Any]
KEYS = ("time", "open", "high", "low", "close", "volume", "of", "span", "done")


@dataclass(frozen=True)
class Shape:
    """How a server writes rows, and the settings that find them; ``named`` is the field with the instrument."""

    write: Callable[[list[Row]], Any]
    settings: dict[str, Any]
    named: dict[str, str]


def fields(*paths: str) -> dict[str, str]:
    return dict(zip(KEYS, paths, strict=False))


def short(row: Row) -> Row:
    prices = {name[0]: row[name] for name in ("open", "high", "low", "close", "volume")}
    return {"t": row["time"], **prices} | {name: row[name] for name in KEYS[6:]}


def inner(row: Row) -> Row:
    return {"at": [row["time"]], "px": {"o": row["open"], "x": [row["high"], row["low"]], "c": row["close"]}} | row


NAMED = {"symbol": "of", "timeframe": "span", "closed": "done"}
SHORT = fields("t", "o", "h", "l", "c", "v")
SHAPES = (
    Shape(lambda rows: rows if len(rows) != 1 else rows[0], {}, NAMED),
    Shape(lambda rows: {"type": "bar", "data": rows}, {"rows": "data"}, NAMED),
    Shape(lambda rows: {"c": {"b": [*map(short, rows)]}}, {"rows": "c.b", "fields": SHORT}, NAMED),
    Shape(
        lambda rows: [list(row.values()) for row in rows],
        {"fields": fields(*(f"[{place}]" for place in range(6)))},
        {"symbol": "[6]", "timeframe": "[7]", "closed": "[-1]"},
    ),
    Shape(lambda rows: {key: [row[key] for row in rows] for key in KEYS}, {}, NAMED),
    Shape(
        lambda rows: {
            "q": {key[0]: [row[key] for row in rows] for key in KEYS[:6]} | {"of": rows[0]["of"] if rows else ""}
        },
        {"rows": "q", "fields": SHORT},
        {"symbol": "of", "timeframe": "'15m'", "closed": "`true`"},
    ),
    Shape(
        lambda rows: {"bars": [*map(inner, rows)]},
        {"rows": "bars", "fields": fields("at[0]", "px.o", "px.x[0]", "px.x[-1]", "px.c || close", "volume")},
        NAMED,
    ),
    Shape(lambda rows: {"bars": [*map(short, rows)]}, {"rows": "bars[?o > `0`]", "fields": SHORT}, NAMED),
    Shape(lambda rows: {"bars": [*map(short, rows)]}, {"rows": "sort_by(bars, &t)", "fields": SHORT}, NAMED),
    Shape(lambda rows: {str(place): row for place, row in enumerate(rows)}, {"rows": "values(@)"}, NAMED),
    Shape(lambda rows: {"parts": [{"b": rows[:1]}, {"b": rows[1:]}]}, {"rows": "parts[].b[]"}, NAMED),
    Shape(
        lambda rows: {"bars": [row | {"p": [row["open"], row["high"], row["low"], row["close"]]} for row in rows]},
        {"rows": "bars", "fields": fields("time", "p[0]", "max(p)", "min(p)", "p[-1]", "to_number(volume)")},
        NAMED | {"closed": "done == `true` || volume >= `5`"},
    ),
)


def rows_of(unit: str, symbol: str, count: int, scale: float = 1.0, *, quoted: bool = False) -> list[Row]:
    """Give the last of the invented bars as rows."""
    found = []
    for place, bar in enumerate(TAPE[len(TAPE) - count :]):
        time = START + 900 * place
        when = rfc3339(time * SECOND) if unit == "rfc3339" else time * SECOND // FACTORS[unit]
        numbers = [*(value * scale for value in bar[:4]), None if math.isnan(bar[4]) else bar[4]]
        values = [when, *(map(str, numbers) if quoted else numbers), symbol, "15m", True]
        found.append(dict(zip(KEYS, values, strict=True)))
    return found
