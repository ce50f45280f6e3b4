"""Price steps: the published tables, and rounding that never leaves the grid."""

from __future__ import annotations

from decimal import Decimal

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from scanner.market.price_steps import EXACT, PriceSteps, guess_step

D = Decimal


@pytest.mark.parametrize(
    ("price", "trades", "step"),
    # Commission Delegated Regulation (EU) 2017/588, annex (from memory; the ladder agrees with a public
    # implementation).
    [
        ("0.05", 9, "0.0005"),
        ("1.50", 9_000, "0.0002"),
        ("30", 599, "0.05"),
        ("60000", 5, "500"),
        ("0.01", 10_000, "0.0001"),
    ],
)
def test_steps_of_shares_in_the_eu(price: str, trades: int, step: str) -> None:
    assert PriceSteps.eu_shares(trades).at(D(price)) == D(step)


def test_steps_of_shares_in_the_us() -> None:
    # 17 CFR 242.612: 0.01 from 1.00 USD up, 0.0001 below (from memory; amended since: the user's own setting rules).
    steps = PriceSteps.us_shares()
    assert (steps.at(D("1.00")), steps.at(D("0.9999"))) == (D("0.01"), D("0.0001"))
    assert steps.near_or_beyond(D("0.99991"), D(0), up=True) == D("1.00")


GRIDS = st.sampled_from(
    [
        PriceSteps.eu_shares(5),
        PriceSteps.us_shares(),
        *(PriceSteps.fixed(D(s)) for s in ("0.25", "0.03125", "0.0001", "5")),
    ]
)
PRICES = st.decimals(-20_000, 20_000, places=7) | st.floats(-1e300, 1e300).map(lambda price: D(repr(price)))


@given(GRIDS, PRICES)
def test_rounding_gives_the_nearest_prices_of_the_grid_on_either_side(steps: PriceSteps, price: Decimal) -> None:
    low, high = (steps.near_or_beyond(price, D(0), up=up) for up in (False, True))
    assert low <= price <= high
    for rounded in (low, high):
        assert EXACT.remainder(rounded, steps.at(rounded)) == 0
        again = {steps.near_or_beyond(rounded, D(0), up=up) for up in (False, True)}
        assert again | {steps.nearest(rounded)} == {rounded}
    assert EXACT.subtract(high, low) in {0, steps.at(price)}
    assert abs(EXACT.subtract(steps.nearest(price), price)) <= steps.at(price) / 2
    # In a mirror, down is up.
    assert steps.near_or_beyond(price.copy_negate(), D(0), up=False) == high.copy_negate()


def test_bands_in_disorder_are_refused() -> None:
    with pytest.raises(ValueError, match="begin at 0 and rise"):
        PriceSteps.bands([(D(1), D("0.01"))])
    with pytest.raises(ValueError, match="a step above 0"):
        PriceSteps.fixed(D(0))
    with pytest.raises(ValueError, match="0 or more, not -1"):
        PriceSteps.eu_shares(-1)


@pytest.mark.parametrize("bands", [[("0", "0.3"), ("1", "0.25")], [("0", "0.5"), ("1", "0.3")]])
def test_bands_that_do_not_meet_on_both_grids_are_refused(bands: list[tuple[str, str]]) -> None:
    # Rounding across such a border could give a price at which nothing trades.
    with pytest.raises(ValueError, match="the price band from 1 must begin at a multiple"):
        PriceSteps.bands([(D(bound), D(step)) for bound, step in bands])


@pytest.mark.parametrize(
    ("prices", "step"),
    [
        ([1228.099976, 1229.22998, 877.0], "0.01"),  # what 32-bit numbers leave of hundredths
        ([1.08345, 1.1], "0.00001"),
        ([4000.25, 4000.5], "0.01"),
        ([15000.0, 15005.0], "1"),
        ([0.00001234, 0.5], "1E-8"),
        ([-37.63, 0.0, 10.01], "0.01"),
        ([98765432.1, 98765432.5, 98765433.7], "0.1"),
    ],
)
def test_a_step_is_guessed_from_prices(prices: list[float], step: str) -> None:
    guessed = guess_step(np.array(prices))
    assert (guessed.step, guessed.fitting, guessed.prices) == (D(step), len(prices), len(prices))


@pytest.mark.parametrize(("finer", "step", "fitting"), [(20, "0.01", 980), (21, "0.0001", 1_000)])
def test_a_few_prices_finer_than_the_rest_do_not_decide(finer: int, step: str, fitting: int) -> None:
    prices = np.round(50 + 0.01 * np.arange(1_000), 2)
    prices[:finer] += 0.0001
    guessed = guess_step(prices)
    assert (guessed.step, guessed.fitting, guessed.prices) == (D(step), fitting, 1_000)
