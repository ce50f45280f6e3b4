"""Variants for invented studies: the trades of each are drawn at random."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from scanner.studies.schema import MEMBERS, Variant

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from scanner.studies.schema import Study


def with_members(study: Study, members: Mapping[str, Sequence[str]]) -> Study:
    """Give a study whose variants have these trades, by name; the first variant is the rules as they are."""
    table = pd.DataFrame([(name, each) for name, ids in members.items() for each in ids], columns=list(MEMBERS))
    variants = tuple(Variant(name, "as_is" if name == "as is" else "moved", "", None) for name in members)
    return replace(study, members=table.astype(dict(MEMBERS)), variants=variants)


def with_variants(study: Study, count: int, *, left_out: float = 0.2, seed: int = 0) -> Study:
    """Give a study whose rules as they are find most of the setups; ``count`` variants differ from them at random."""
    rng = np.random.default_rng(seed)
    ids = study.trades["id"][(study.trades["source"] == "setup") & (study.trades["set_aside"] == "")].to_numpy()
    as_is = rng.random(len(ids)) < 1 - left_out
    members = {"as is": ids[as_is].tolist()}
    for number in range(count):
        changed = rng.random(len(ids)) < left_out
        members[f"variant {number}"] = ids[as_is ^ changed].tolist()
    found = study.trades.assign(found=(study.trades["source"] != "setup") | study.trades["id"].isin(ids[as_is]))
    return with_members(replace(study, trades=found), members)


def shuffled(study: Study, seed: int) -> Study:
    """Give the same study with its rows in another order."""
    trades = study.trades.sample(frac=1, random_state=seed).reset_index(drop=True)
    members = study.members.sample(frac=1, random_state=seed).reset_index(drop=True)
    return replace(study, trades=trades, members=members)
