"""Events as rows of a table, with the data that table programs want in columns."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal

from scanner.wording.times import parse_time

if TYPE_CHECKING:
    from collections.abc import Mapping

Kind = Literal["text", "number", "whole", "truth", "moment"]

TEXTS = (
    *("instrument", "timeframe", "setup", "direction", "place", "entry_style", "exit_style", "state", "reason"),
    *("spoiled_by", "orders", "next", "currency"),
)
NUMBERS = (
    *("close", "step", "early", "break", "average", "planned_entry", "planned_risk", "first_stop", "stop"),
    *("objective_1", "objective_2", "objective_3", "obstacle", "room", "size", "entry", "risk", "exit", "half_exit"),
    *("r", "r_at_stop", "best_r", "worst_r", "cost_r", "result"),
)
WHOLE = ("evidence_points", "evidence_total", "bars_waited", "bars_held")
MOMENTS = ("bar_open", "bar_close", "setup_close")

COLUMNS: Mapping[str, Kind] = {
    **dict.fromkeys(TEXTS, "text"),
    **dict.fromkeys(MOMENTS, "moment"),
    **dict.fromkeys(WHOLE, "whole"),
    "set_aside": "truth",
    **dict.fromkeys(NUMBERS, "number"),
}
"""The columns and what each holds. Numbers are floats, moments nanoseconds since 1970 UTC.

``planned_entry``, ``planned_risk``, ``objective_1`` to ``_3`` (the prices at 1R to 3R), ``obstacle``, ``room`` and
``size`` are those of the entry style that is followed. ``reason`` of a setup says why it is set aside. The others have
the names and meanings of the data of events.
"""


def columns_of(data: Mapping[str, Any]) -> dict[str, str | float | int | bool | None]:
    """Give a value for each of the COLUMNS, None if an event of this kind has none.

    >>> row = columns_of({"instrument": "GANNET", "r": "1.50", "set_aside": False})
    >>> row["instrument"], row["r"], row["set_aside"], row["stop"]
    ('GANNET', 1.5, False, None)
    """
    values = {**data, **_of_setup(data)} if "entries" in data else data
    return {name: _value(kind, values.get(name)) for name, kind in COLUMNS.items()}


def _of_setup(data: Mapping[str, Any]) -> dict[str, Any]:
    """Give the nested values of a setup's data."""
    levels, entry = data["levels"], data["entries"][data["entry_style"]]
    return {
        **{name: levels[name] for name in ("early", "break", "average", "stop")},
        **{f"objective_{number}": price for number, price in enumerate(entry["objectives"], 1)},
        **{name: entry[name] for name in ("obstacle", "room", "size")},
        "planned_entry": entry["price"],
        "planned_risk": entry["risk"],
        "first_stop": levels["stop"],
        "exit_style": data["exit_plan"]["style"],
        "reason": data["set_aside"],
    }


def _value(kind: Kind, value: Any) -> str | float | int | bool | None:  # noqa: ANN401 - whatever the data holds
    if value is None:
        return None
    if kind == "number":
        return float(value)
    if kind == "truth":
        return bool(value)
    if kind == "moment":
        return parse_time(value)
    return value  # type: ignore[no-any-return]  # a text or a whole number of the data
