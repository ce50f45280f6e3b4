"""Invented markets: nobody can gain on them, and they are otherwise as difficult as real ones."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from tests.honesty.market import Market, at, feed, market, prices

if TYPE_CHECKING:
    from tests.honesty.market import Floats

SEVERAL = 8


@pytest.fixture(scope="module")
def drawn() -> Market:
    return market(30, 5_000, 4)


def returns(chance: Market) -> Floats:
    return np.asarray(np.expm1(chance.steps.sum(axis=2)))


def errors(values: Floats) -> float:
    """Give the mean in standard errors."""
    return float(values.mean() / (values.std(ddof=1) / np.sqrt(len(values))))


def test_the_mean_return_is_nothing_whatever_came_before(drawn: Market) -> None:
    """Each mean is over days, each the mean of all instruments, so that the error includes their correlation."""
    found = returns(drawn)
    up = np.sign(np.cumsum(found, axis=1) - np.roll(np.cumsum(found, axis=1), 10, axis=1))[:, 10:-1]
    assert abs(errors(found.mean(axis=0))) < 3.5
    assert abs(errors((np.sign(found[:, :-1]) * found[:, 1:]).mean(axis=0))) < 3.5
    assert abs(errors((up * found[:, 11:]).mean(axis=0))) < 3.5


def test_a_stop_within_the_bar_gains_and_loses_nothing(drawn: Market) -> None:
    """From the open to the close, or to a stop reached before: an exact law of martingales.

    Extremes too near or too far would show at once.
    """
    for sign in (1, -1):
        gains = []
        for bars in feed(drawn).values():
            away = np.ceil(0.6 * bars.open) / 100
            stop = bars.open - sign * away
            hit = bars.low <= stop if sign > 0 else bars.high >= stop
            assert 0.1 < hit.mean() < 0.9
            gains.append(sign * (np.where(hit, stop, bars.close) - bars.open) / away)
        assert abs(errors(np.mean(gains, axis=0))) < 3.5


def test_volatility_comes_in_clusters_and_months_differ(drawn: Market) -> None:
    size = np.abs(returns(drawn))
    near = [np.corrcoef(row[:-1], row[1:])[0, 1] for row in size]
    far = [np.corrcoef(row[:-20], row[20:])[0, 1] for row in size]
    assert np.mean(near) > 0.15
    assert np.mean(near) > np.mean(far) > 0.02
    steps = np.abs(np.diff(np.median(np.log(drawn.spread[:, :, 1]), axis=0)))
    new_month = np.diff(drawn.months) > 0
    assert steps[new_month].mean() > 2 * steps[~new_month].mean()


def test_instruments_move_together_in_some_months_more_than_in_others(drawn: Market) -> None:
    found = returns(drawn) / drawn.spread.sum(axis=2)
    together = []
    for month in np.unique(drawn.months)[:-1]:
        related = np.corrcoef(found[:, drawn.months == month])
        together.append(related[np.triu_indices(len(related), 1)].mean())
    assert np.mean(together) == pytest.approx(0.5, abs=0.05)
    assert np.quantile(together, 0.1) < 0.35
    assert np.quantile(together, 0.9) > 0.65


def test_bars_hold_together_and_have_gaps(drawn: Market) -> None:
    for bars in list(feed(drawn).values())[:SEVERAL]:
        assert (bars.high >= np.maximum(bars.open, bars.close)).all()
        assert (bars.low <= np.minimum(bars.open, bars.close)).all()
        assert (bars.low > 0).all()
        assert (bars.open[1:] != bars.close[:-1]).mean() > 0.9
        assert np.unique((bars.open_time // 86_400_000_000_000 + 3) % 7).tolist() == [0, 1, 2, 3, 4]


def test_bar_by_bar_it_is_the_same_feed_and_a_drift_moves_it() -> None:
    chance = market(3, 50, 1)
    whole = feed(chance)
    last = np.full((3, 1), np.log(200.0))
    for bar in range(50):
        one = prices(last, at(chance, bar))
        for number, bars in enumerate(whole.values()):
            here = [column[number, 0] for column in (one.open, one.high, one.low, one.close)]
            assert here == pytest.approx([bars.open[bar], bars.high[bar], bars.low[bar], bars.close[bar]], abs=0.0101)
        pushed = prices(last, at(chance, bar), np.array([[0.01], [0.0], [-0.01]]))
        assert pushed.last - one.last == pytest.approx(np.array([[0.01], [0.0], [-0.01]]))
        assert (pushed.open == one.open).all()
        last = one.last
