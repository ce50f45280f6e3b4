"""No figure depends on bars later than its trades."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from typing import TYPE_CHECKING

import numpy as np

from scanner.analysis.door.known_setups import known
from scanner.analysis.door.setup import Chosen
from scanner.analysis.rules import Rules
from scanner.clocks import DAY
from scanner.studies.figures.report import report_of
from scanner.studies.stories.collecting import Asked
from scanner.trade.rulebook import Rulebook
from scanner.trade.surroundings import Surroundings
from tests.laws import real_series
from tests.studies.in_memory import collect

if TYPE_CHECKING:
    from scanner.market.bars import Bars
    from scanner.studies.figures.results import Report
    from scanner.studies.schema import Study

NAMES = ("sp500", "IBM")
CENT = Decimal("0.01")
SAMPLES = 200


def book(*names: str) -> Rulebook:
    setups = tuple(Chosen(known()[name], known()[name].numbers()) for name in names)
    return Rulebook(Rules(), setups, Surroundings(require=()))


def with_noise_after(bars: Bars, last: int, seed: int) -> Bars:
    """Give the same bars up to a close, followed by a random walk."""
    later = bars.close_time > last
    rng = np.random.default_rng(seed)
    close = bars.close[~later][-1] * np.exp(np.cumsum(rng.normal(0, 0.01, later.sum())))
    opened = close * np.exp(rng.normal(0, 0.004, len(close)))
    reach = np.abs(rng.normal(0, 0.004, (2, len(close))))
    prices = {
        "open": opened,
        "high": np.maximum(opened, close) * (1 + reach[0]),
        "low": np.minimum(opened, close) * (1 - reach[1]),
        "close": close,
    }
    return replace(
        bars, **{name: np.append(getattr(bars, name)[~later], np.round(own, 2)) for name, own in prices.items()}
    )


def figures_by(study: Study, moment: int) -> Report:
    """Give the figures of the trades that had ended by then.

    A study leaves out changed settings that change no trade, so only variants that change one by then are kept.
    """
    ended = study.trades["ended_at"].astype("int64").to_numpy()
    kept = study.trades["ended_at"].notna() & (ended <= moment)
    trades = study.trades[kept].reset_index(drop=True)
    members = study.members[study.members["id"].isin(trades["id"])].reset_index(drop=True)
    ids = members.groupby("variant")["id"].agg(tuple)
    variants = tuple(each for each in study.variants if each.kind == "as_is" or ids.get(each.name) != ids["as is"])
    return report_of(replace(study, trades=trades, members=members, variants=variants), samples=SAMPLES)


def test_noise_after_a_moment_changes_no_figure_of_what_had_ended_by_then() -> None:
    bars = {name: real_series(name) for name in NAMES}
    moment = int(np.datetime64("2010-01-01", "ns").astype(np.int64))
    noisy = {name: with_noise_after(own, moment, seed=1) for name, own in bars.items()}
    asked, rulebook = Asked(draws=8), book("engulfing", "hammer", "first_touch")
    true, other = (collect(each, rulebook=rulebook, step=CENT, asked=asked) for each in (bars, noisy))
    told, same = figures_by(true, moment), figures_by(other, moment)
    assert told.to_json() == same.to_json()
    year_later = moment + 365 * DAY
    assert figures_by(true, year_later).to_json() != figures_by(other, year_later).to_json()
    assert not told.all.too_few
    assert told.walk_forward is not None
    assert sum(not each.too_few for each in told.rules.variants) > 3
    assert [each.source for each in told.chance if each.difference.low is not None] == ["chance", "chance_cross"]


def test_noise_after_the_last_exit_changes_no_figure_at_all() -> None:
    """The noise has no setup, so even the counts and days of the study are unchanged."""
    bars = {name: real_series(name) for name in NAMES}
    asked, rulebook = Asked(variants=False, draws=0), book("engulfing")
    true = collect(bars, rulebook=rulebook, step=CENT, asked=asked)
    assert true.trades["ended_at"].notna().all()
    last = true.trades.groupby("instrument")["ended_at"].max()
    noisy = {name: with_noise_after(own, last[name].value, seed=3) for name, own in bars.items()}
    assert all((noisy[name].close != own.close).sum() > 10 for name, own in bars.items())
    other = collect(noisy, rulebook=rulebook, step=CENT, asked=asked)
    assert len(true.trades) == len(other.trades) > 30
    reports = [report_of(each, samples=SAMPLES).to_json() for each in (true, other)]
    assert reports[0] == reports[1]
