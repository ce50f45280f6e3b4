"""A recorded hypothesis is judged on later setups, and on nothing else."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from hypothesis import given, settings
from hypothesis import strategies as st

from scanner.studies.figures.results import Hypothesis
from scanner.studies.figures.verdict import judge
from scanner.studies.kept.ledger import Ledger, Written, to_judge
from tests.effort import EFFORT
from tests.studies.figures.invented import START, invented
from tests.studies.test_ledger import DAY, bars, look

if TYPE_CHECKING:
    from collections.abc import Sequence

    from scanner.studies.kept.ledger import Look

MONTHS = 30
WHERE = (("direction", "long"),)


@settings(max_examples=8 * EFFORT)
@given(
    seed=st.integers(0, 99),
    day=st.integers(0, 30 * MONTHS),
    kept=st.floats(0, 1),
    change=st.sampled_from([-3.0, 0.0, 3.0]),
)
def test_setups_found_before_it_was_recorded_do_not_matter(seed: int, day: int, kept: float, change: float) -> None:
    whole, asked = invented(120, MONTHS, seed=seed, gain=0.5), [Hypothesis("long", START + day * DAY, WHERE)]
    trades = whole.trades.copy()
    before = trades["found_at"] <= pd.Timestamp(START + day * DAY, tz="UTC")
    gone = before & (np.random.default_rng(seed).random(len(trades)) > kept)
    trades.loc[before, "net_r"] += change
    trades.loc[before, "direction"] = "long"
    trades.loc[before, "set_aside"] = ""
    other = replace(whole, trades=trades[~gone].reset_index(drop=True))
    (judged,) = judge(whole, asked, 100)
    assert judge(other, asked, 100) == (judged,)
    later = whole.trades[~before & (whole.trades["source"] == "setup") & (whole.trades["direction"] == "long")]
    assert judged.verdict.trades == int(later["net_r"][later["set_aside"] == ""].notna().sum())


def written(name: str, rules: Sequence[str] = ("r", "s"), after: int = 20) -> Written:
    asked = look().asked.model_copy(update={"rules": tuple(rules)})
    at = after * DAY
    return Written(at=at, name=name, where={"direction": "long"}, after=at, asked=asked, bars=bars("a", "A"))


def until(last: int, rules: str = "r") -> Look:
    """Invent a study of a file with bars up to a day."""
    return look(rules, bars("abcdefgh"[last - 19], "A", 0, last))


def test_a_hypothesis_is_judged_by_its_own_rules_and_each_time_counts() -> None:
    ledger = Ledger(
        looks=(until(19), until(21), until(21), until(22, "s"), until(22, "other"), until(26)),
        hypotheses=(written("one"), written("other rules", ["other"]), written("later", after=22)),
    )
    judged, others = to_judge(ledger, until(26))
    assert judged == (Hypothesis("one", 20 * DAY, WHERE, 3), Hypothesis("later", 22 * DAY, WHERE, 1))
    assert [each.name for each in others] == ["other rules"]
    assert {each.verdict.looks for each in judge(invented(10, 2), judged, 200)} == {4}
