"""The table of trades with the right types, in one order."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from scanner.studies.schema import AROUND, SOURCES, TRADES, VERDICTS

if TYPE_CHECKING:
    from collections.abc import Mapping

ORDER = ["instrument", "timeframe", "found_at", "setup", "direction", "source", "id"]
"""The order of trades before anything is computed, so that the order of parts changes nothing."""


def empty(columns: Mapping[str, str] = TRADES) -> pd.DataFrame:
    """Give a table without rows."""
    return _typed(pd.DataFrame({name: pd.Series(dtype="object") for name in columns}), columns)


def checked(trades: pd.DataFrame) -> pd.DataFrame:
    """Give trades with the right types, sorted by ORDER, with a new index; ValueError says what is wrong."""
    if missing := [name for name in TRADES if name not in trades.columns]:
        raise ValueError(f"the table of trades has no column {', '.join(missing)}")
    extra = [name for name in trades.columns if name not in TRADES]
    if odd := [name for name in extra if not name.startswith(AROUND)]:
        raise ValueError(f"the table of trades has an unknown column: {', '.join(odd)}")
    if unknown := set(trades["source"].unique()) - set(SOURCES):
        raise ValueError(f"the table of trades has an unknown source: {', '.join(sorted(unknown))}")
    if trades["id"].duplicated().any():
        twice = trades["id"][trades["id"].duplicated()].iloc[0]
        raise ValueError(f"the table of trades has the id {twice} twice")
    return _typed(trades, TRADES).sort_values(ORDER, kind="stable", ignore_index=True)


def _typed(table: pd.DataFrame, columns: Mapping[str, str]) -> pd.DataFrame:
    typed = table.astype({name: kind for name, kind in columns.items() if kind != "category"})
    if "source" in columns:
        typed["source"] = pd.Categorical(typed["source"], categories=SOURCES)
    for name in typed.columns:
        if name not in columns:
            typed[name] = pd.Categorical(typed[name], categories=VERDICTS)
    return typed
