"""Tables of invented trades with the types and the order of a study's own."""

from __future__ import annotations

import pandas as pd

from scanner.studies.schema import AROUND, SOURCES, TRADES, VERDICTS
from scanner.studies.stories.collecting import ORDER


def empty() -> pd.DataFrame:
    """Give a table without rows."""
    return typed(pd.DataFrame({name: pd.Series(dtype="object") for name in TRADES}))


def typed(trades: pd.DataFrame) -> pd.DataFrame:
    """Give trades with the right types, in order, with a new index."""
    made = trades.astype({name: kind for name, kind in TRADES.items() if kind != "category"})
    made["source"] = pd.Categorical(made["source"], categories=SOURCES)
    for name in made.columns:
        if name.startswith(AROUND):
            made[name] = pd.Categorical(made[name], categories=VERDICTS)
    return made.sort_values([*ORDER, "id"], kind="stable", ignore_index=True)
