"""Invented studies: tables of trades without bars, with as many setups, months and controls as a test needs."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from scanner.studies.schema import AROUND, MEMBERS, VERDICTS, Study, Variant
from scanner.trade.surroundings import NAMES
from tests.studies.typed import typed

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]

START, DAY = 946_684_800_000_000_000, 86_400_000_000_000
"""The first of January 2000, and a day, in nanoseconds."""


def skewed(rng: np.random.Generator, count: int, winners: float | Floats = 1 / 3) -> Floats:
    """Invent results before costs: losses of at most 1, and fewer, larger gains of 2 on average."""
    lost = -np.where(rng.random(count) < 0.6, 1.0, rng.random(count))
    results: Floats = np.where(rng.random(count) < winners, rng.exponential(2.0, count), lost)
    return results


def invented(
    count: int, months: int, *, seed: int = 0, controls: int = 3, gain: float = 0.0, instruments: int = 5
) -> Study:
    """Invent a study of setups that gain ``gain`` R more than their controls; a few are set aside or never entered."""
    rng = np.random.default_rng(seed)
    ids = np.array([f"{number:06}" for number in rng.permutation(count)], dtype=object)
    names = np.array([f"I{number:04}" for number in rng.integers(0, instruments, count)], dtype=object)
    setups = _rows(rng, "setup", ids, names, months)
    setups["net_r"] += gain
    setups["gross_r"] += gain
    parts = [setups]
    for source in ("chance", "chance_cross") if controls else ():
        of = np.repeat(ids, controls)
        drawn = np.array([f"{name}.{source}.{number}" for number, name in enumerate(of)], dtype=object)
        part = _rows(rng, source, drawn, np.repeat(names, controls), months)
        parts.append(part.assign(of=of, set_aside="", **{AROUND + name: "unknown" for name in NAMES}))
    return study_of(pd.concat(parts, ignore_index=True), months)


def study_of(trades: pd.DataFrame, months: int) -> Study:
    """Make a study of trades within a number of months."""
    kept = trades["id"][(trades["source"] == "setup") & (trades["set_aside"] == "")]
    return Study(
        trades=typed(trades),
        members=pd.DataFrame({"variant": "as is", "id": np.sort(kept)}).astype(dict(MEMBERS)),
        variants=(Variant("as is", "as_is", "", None),),
        bars=1_000 * months,
        series=1,
        instruments=tuple(sorted(set(trades["instrument"]))),
        timeframes=("1d",),
        first=START,
        last=START + months * 30 * DAY,
        settings_mark="",
        costs_known=0.0,
        files=(),
        checked=(),
        unjudged=(),
        seed=3,
    )


def _rows(
    rng: np.random.Generator, source: str, ids: NDArray[np.object_], instruments: NDArray[np.object_], months: int
) -> pd.DataFrame:
    count = len(ids)
    days = rng.integers(0, 30 * months, count)
    found = pd.to_datetime(START + days * DAY, utc=True)
    month = (12 * found.year + found.month - 1).to_numpy(np.int64)
    # Results of a month are correlated.
    good = np.random.default_rng((1, months)).random(30_000) < 0.5
    entered = rng.random(count) < 0.9
    nothing = np.where(entered, 0.0, np.nan)
    gross = skewed(rng, count, np.where(good[month], 0.45, 0.22)) + nothing
    broken_off = entered & (np.arange(count) % 40 == 7)
    gross[broken_off] = np.nan
    return pd.DataFrame(
        {
            "id": ids,
            "source": source,
            "of": "",
            "found": True,
            "instrument": instruments,
            "group": "shares",
            "timeframe": "1d",
            "setup": rng.choice(["doji_pause", "flag"], count),
            "direction": rng.choice(["long", "short"], count),
            "place": rng.choice(["line", "level", ""], count),
            "set_aside": np.where(rng.random(count) < 0.1, "liquid", ""),
            "evidence_points": rng.integers(0, 4, count),
            "evidence_total": 4,
            "exit_style": rng.choice(["ride", "quick"], count),
            "entry_style": "break",
            "state": np.select(
                [broken_off, entered, rng.random(count) < 0.5], ["broken_off", "stopped", "lapsed"], "waiting"
            ),
            "found_at": found,
            "entered_at": pd.Series(found).where(entered),
            "ended_at": found + pd.Timedelta(days=5),
            "month": month,
            "hour": 21,
            "bars_waited": 1,
            "bars_held": rng.integers(0, 30, count),
            "planned_entry": 10.0,
            "entry": 10.0 + nothing,
            "first_stop": 9.0,
            "stop": 9.0,
            "exit": 10.0 + gross,
            "risk": 1.0 + nothing,
            "risk_atr": 1.0 + nothing,
            "gross_r": gross,
            "cost_r": 0.05 + nothing,
            "net_r": gross - 0.05,
            "cost_known": False,
            "best_r": np.maximum(gross, 0) + 0.2,
            "worst_r": np.minimum(gross, 0) - 0.1,
            "gapped_stop": entered & (rng.random(count) < 0.08),
            "both_in_one_bar": entered & (rng.random(count) < 0.03),
            **{AROUND + name: rng.choice(VERDICTS, count) for name in NAMES},
        }
    )
