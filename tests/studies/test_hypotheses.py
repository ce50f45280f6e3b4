"""A hypothesis that was written down is judged on what came after it, and on nothing else."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scanner.studies.figures.results import Hypothesis
from scanner.studies.figures.verdict import judge
from scanner.studies.kept.ledger import Ledger, Written, to_judge
from scanner.studies.schema import TRADES, Study, Variant, checked
from tests.studies.test_ledger import DAY, bars, look

if TYPE_CHECKING:
    from collections.abc import Sequence

    from scanner.studies.kept.ledger import Look

START = pd.Timestamp("2010-01-01", tz="UTC")
MONTHS, A_MONTH = 40, 4
WHERE = (("direction", "long"),)


def study(seed: int, edge_from: int, edge: float) -> Study:
    """Invent setups and a control for each; those from a month on have an edge over theirs."""
    rng = np.random.default_rng(seed)
    number = np.arange(MONTHS * A_MONTH)
    month = number // A_MONTH
    found_at = START + pd.to_timedelta(month * 31 + number % A_MONTH, unit="D")
    rows = []
    for source, bonus in (("setup", edge), ("chance", 0.0)):
        columns = {
            "id": [f"{source}{each:04}" for each in number],
            "source": source,
            "of": "" if source == "setup" else [f"setup{each:04}" for each in number],
            "found": True,
            "found_at": found_at,
            "month": found_at.year * 12 + found_at.month - 1,
            "direction": np.where(rng.random(len(number)) < 0.8, "long", "short"),
            "net_r": rng.normal(0, 0.4, len(number)) + np.where(month >= edge_from, bonus, 0.0),
        }
        rows.append(pd.DataFrame(columns))
    trades = pd.concat(rows, ignore_index=True)
    blank: dict[str, Any] = {"str": "", "category": "", "bool": False, "int64": 0, "float64": 0.0}
    for name, kind in TRADES.items():
        if name not in trades:
            trades[name] = trades["found_at"] if kind.startswith("datetime") else blank[kind]
    as_is = (Variant("as is", "as_is", "", None),)
    return Study(checked(trades), pd.DataFrame(), as_is, 1, 1, ("A",), ("1d",), 0, 1, "", 0.0, (), 0)


def day(number: int) -> int:
    return int((START + pd.Timedelta(days=number)).value)


@settings(max_examples=40, deadline=None)
@given(
    seed=st.integers(0, 99),
    written=st.integers(0, 31 * MONTHS),
    kept=st.floats(0, 1),
    change=st.sampled_from([-3.0, 0.0, 3.0]),
)
def test_what_was_found_before_it_was_written_may_be_anything(
    seed: int, written: int, kept: float, change: float
) -> None:
    whole, asked = study(seed, 20, 0.5), [Hypothesis("long", day(written), WHERE)]
    trades = whole.trades.copy()
    before = trades["found_at"] <= pd.Timestamp(day(written), tz="UTC")
    gone = before & (np.random.default_rng(seed).random(len(trades)) > kept)
    trades.loc[before, "net_r"] += change
    trades.loc[before, "direction"] = "long"
    other = replace(whole, trades=trades[~gone].reset_index(drop=True))
    assert judge(whole, asked, 200) == judge(other, asked, 200)


@pytest.mark.parametrize(("months", "kind"), [(0, "edge"), (20, "edge"), (30, "too_few"), (MONTHS, "too_few")])
def test_what_was_found_after_it_is_seen(months: int, kind: str) -> None:
    (judged,) = judge(study(1, 0, 0.6), [Hypothesis("long", day(31 * months) - 1, WHERE)], 1_000)
    assert judged.verdict.kind == kind
    assert judged.verdict.trades <= (MONTHS - months) * A_MONTH


def written(name: str, rules: Sequence[str] = ("r", "s"), after: int = 20) -> Written:
    asked = look().asked.model_copy(update={"rules": tuple(rules)})
    at = after * DAY
    return Written(at=at, name=name, where={"direction": "long"}, after=at, asked=asked, bars=bars("a", "A"))


def until(last: int, rules: str = "r") -> Look:
    """Invent a study of a file that goes on to a day."""
    return look(rules, bars("abcdefgh"[last - 19], "A", 0, last))


def test_a_hypothesis_is_judged_by_its_own_rules_and_each_time_counts() -> None:
    ledger = Ledger(
        looks=(until(19), until(21), until(21), until(22, "s"), until(22, "other"), until(26)),
        hypotheses=(written("one"), written("other rules", ["other"]), written("later", after=22)),
    )
    judged, others = to_judge(ledger, until(26))
    assert judged == (Hypothesis("one", 20 * DAY, WHERE, 3), Hypothesis("later", 22 * DAY, WHERE, 1))
    assert [each.name for each in others] == ["other rules"]
    assert {each.verdict.looks for each in judge(study(0, 0, 0.0), judged, 200)} == {4}
