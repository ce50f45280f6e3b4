"""Planted edges: they are where the setups are, and nothing else moves."""

from __future__ import annotations

import numpy as np

from scanner.studies.stories.collecting import Asked
from tests.honesty.feeds import NO_COSTS, STEP, book
from tests.honesty.market import feed, market
from tests.honesty.planting import planted
from tests.studies.in_memory import collect

SEEDS = range(3)


def test_without_a_push_it_is_the_feed_itself() -> None:
    chance = market(4, 600, 3)
    for name, bars in planted(chance, book(), 0.0).items():
        for own, other in zip(bars.columns(), feed(chance)[name].columns(), strict=True):
            assert np.allclose(own, other, atol=0.0101, equal_nan=True)


def test_bars_are_moved_from_the_first_setup_on_and_setups_gain_by_it() -> None:
    gained = []
    for seed in SEEDS:
        chance = market(6, 700, seed)
        plain, pushed = feed(chance), planted(chance, book(), 0.1)
        before, after = (
            collect(bars, rulebook=book(), step=STEP, costs=NO_COSTS, asked=Asked(variants=False, draws=0)).trades
            for bars in (plain, pushed)
        )
        for name, bars in plain.items():
            first = before[before["instrument"] == name]["found_at"].min()
            alike = bars.close_time <= first.value
            assert np.abs(bars.close - pushed[name].close)[alike].max() < 0.0101
            assert np.abs(bars.close - pushed[name].close)[~alike].max() > 0.1
        gained.append(after["net_r"].mean() - before["net_r"].mean())
    assert min(gained) > 0.3
