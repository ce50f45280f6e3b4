"""Each rule and threshold of the setups, just inside and just outside, on hand-made bars and on their mirror image.

Every picture fulfils its setup. A case changes some numbers of it, each named by its column and how many bars before
the last one, and says what one rule then measures and whether it holds. Numbers that no rule may read are set to ODD.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import nan
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from pydantic import ValidationError

from scanner.analysis.columns import (
    ATR,
    CLOSE,
    COLUMNS,
    CROSS,
    EXPONENTIAL_AVERAGE,
    FAST_AVERAGE,
    HIGH,
    LOW,
    OPEN,
    SLOW_AVERAGE,
    USUAL_BODY,
    VOLUME,
)
from scanner.analysis.setups import (
    engulfing,
    false_break,
    first_touch,
    flag,
    hammer,
    inside_bar,
    outside_bar,
    three_bar_pullback,
)
from tests.analysis.plain_columns import mirrored
from tests.analysis.weighing import fit_at
from tests.follow.hand_tapes import Spoiler

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from scanner.analysis.door.setup import Fit, Setup

    Changes = dict[tuple[int, int], float]
    Case = tuple[str, Changes, float, bool]

BARS = 60
ODD = 77.0
EVERY = range(BARS)


@dataclass(frozen=True)
class Picture:
    """Bars that fulfil a setup: a usual bar (open, high, low, close), the last ones, and columns that differ."""

    setup: Setup[Any]
    usual: tuple[float, float, float, float]
    last: list[tuple[float, float, float, float]]
    columns: Changes
    trigger: float
    base: float
    spoiled_beyond: float | None
    cases: list[Case]

    def series(self, changes: Changes) -> NDArray[np.float64]:
        columns = np.full((COLUMNS, BARS), ODD)
        columns[OPEN : CLOSE + 1] = np.array(self.usual)[:, None]
        columns[VOLUME], columns[CROSS] = 1.0, 0.0
        for back, bar in enumerate(reversed(self.last)):
            columns[OPEN : CLOSE + 1, BARS - 1 - back] = bar
        for (column, back), value in (self.columns | changes).items():
            columns[column, BARS - 1 - back] = value
        return columns


def everywhere(column: int, value: float) -> Changes:
    return {(column, back): value for back in EVERY}


TREND = everywhere(FAST_AVERAGE, 100.0) | {(FAST_AVERAGE, 10): 99.5, (SLOW_AVERAGE, 0): 98.0}
TREND_CASES: list[Case] = [
    ("trend", {}, 0.5, True),
    ("trend", {(FAST_AVERAGE, 10): 99.99}, 0.01, True),
    ("trend", {(FAST_AVERAGE, 10): 100.0}, 0.0, False),
    ("trend", {(FAST_AVERAGE, 9): 200.0, (FAST_AVERAGE, 11): 200.0}, 0.5, True),
    ("trend", {(SLOW_AVERAGE, 0): 99.99}, 0.01, True),
    ("trend", {(SLOW_AVERAGE, 0): 100.0}, 0.0, False),
    ("trend", {(CLOSE, 0): 100.01}, 0.01, True),
    ("trend", {(CLOSE, 0): 100.0}, 0.0, False),
]

PICTURES = [
    Picture(
        engulfing.SETUP,
        usual=(97.0, 98.0, 95.0, 96.0),
        last=[(96.0, 96.5, 94.5, 95.5), (95.5, 97.0, 94.0, 96.5)],
        columns={(USUAL_BODY, 1): 1.0},
        trigger=97.0,
        base=94.0,
        spoiled_beyond=95.5,
        cases=[
            ("direction", {}, 0.5, True),
            ("direction", {(CLOSE, 1): 95.99}, 0.01, True),
            ("direction", {(CLOSE, 1): 96.0}, 0.0, False),
            ("direction", {(OPEN, 0): 96.5}, 0.0, False),
            ("body", {}, 1.0, True),
            ("body", {(OPEN, 0): 95.51}, 0.99, False),
            ("before_body", {}, 0.5, True),
            ("before_body", {(CLOSE, 1): 95.51}, 0.49, False),
            ("covers", {}, 0.0, True),
            ("covers", {(OPEN, 0): 95.51}, -0.01, False),
            ("covers", {(OPEN, 0): 95.0, (CLOSE, 0): 96.0}, 0.0, True),
            ("covers", {(OPEN, 0): 95.0, (CLOSE, 0): 95.99}, -0.01, False),
            ("close_near_end", {(HIGH, 0): 97.75}, 1 / 3, True),
            ("close_near_end", {(HIGH, 0): 97.76}, 1.26 / 3.76, False),
            ("lowest", {}, 1.0, True),
            ("lowest", {(LOW, 9): 94.0}, 0.0, True),
            ("lowest", {(LOW, 9): 93.99}, -0.01, False),
            ("lowest", {(LOW, 2): 93.99}, -0.01, False),
            ("lowest", {(LOW, 10): 90.0}, 1.0, True),
            ("lowest", {(LOW, 0): 95.0}, 0.5, True),
        ],
    ),
    Picture(
        outside_bar.SETUP,
        usual=(100.0, 102.0, 98.5, 100.0),
        last=[(100.0, 101.0, 99.0, 100.5), (99.5, 101.5, 98.0, 101.25)],
        columns={(ATR, 1): 2.0},
        trigger=101.5,
        base=98.0,
        spoiled_beyond=99.75,
        cases=[
            ("beyond_low", {(LOW, 1): 98.01}, 0.01, True),
            ("beyond_low", {(LOW, 1): 98.0}, 0.0, False),
            ("beyond_high", {(HIGH, 1): 101.24}, 0.01, True),
            ("beyond_high", {(HIGH, 1): 101.25}, 0.0, False),
            ("close_near_end", {(HIGH, 0): 102.0, (CLOSE, 0): 101.0}, 0.25, True),
            ("close_near_end", {(HIGH, 0): 102.0, (CLOSE, 0): 100.99}, 0.2525, False),
            ("range", {(HIGH, 0): 101.0, (ATR, 1): 2.5}, 1.2, True),
            ("range", {(HIGH, 0): 100.99, (ATR, 1): 2.5}, 1.196, False),
            ("range", {(HIGH, 0): 104.0}, 3.0, True),
            ("range", {(HIGH, 0): 104.01}, 3.005, False),
            ("lowest", {}, 0.5, True),
            ("lowest", {(LOW, 19): 98.0}, 0.0, True),
            ("lowest", {(LOW, 19): 97.99}, -0.01, False),
            ("lowest", {(LOW, 20): 90.0}, 0.5, True),
        ],
    ),
    Picture(
        hammer.SETUP,
        usual=(101.0, 103.0, 98.5, 101.0),
        last=[(100.0, 100.75, 98.0, 100.5)],
        columns={(ATR, 1): 2.0},
        trigger=100.75,
        base=98.0,
        spoiled_beyond=None,
        cases=[
            ("shadow_of_body", {(CLOSE, 0): 101.0, (HIGH, 0): 101.0}, 2.0, True),
            ("shadow_of_body", {(CLOSE, 0): 101.01, (HIGH, 0): 101.01}, 2 / 1.01, False),
            ("shadow_of_body", {(OPEN, 0): 101.0, (CLOSE, 0): 100.0, (HIGH, 0): 101.0}, 2.0, True),
            ("shadow_of_body", {(CLOSE, 0): 100.0}, nan, True),
            ("shadow_of_range", {(OPEN, 0): 101.0, (CLOSE, 0): 101.5, (HIGH, 0): 103.0}, 0.6, True),
            ("shadow_of_range", {(OPEN, 0): 101.0, (CLOSE, 0): 101.5, (HIGH, 0): 103.01}, 3 / 5.01, False),
            ("other_shadow", {(LOW, 0): 92.0, (HIGH, 0): 102.0}, 0.15, True),
            ("other_shadow", {(LOW, 0): 92.0, (HIGH, 0): 102.01}, 1.51 / 10.01, False),
            ("range", {(ATR, 1): 2.5, (LOW, 0): 98.75}, 0.8, True),
            ("range", {(ATR, 1): 2.5, (LOW, 0): 98.76}, 0.796, False),
            ("range", {(ATR, 1): 0.0} | {(column, 0): 98.0 for column in (OPEN, HIGH, LOW, CLOSE)}, nan, False),
            ("lowest", {}, 0.5, True),
            ("lowest", {(LOW, 9): 98.0}, 0.0, True),
            ("lowest", {(LOW, 9): 97.99}, -0.01, False),
            ("lowest", {(LOW, 10): 90.0}, 0.5, True),
        ],
    ),
    Picture(
        false_break.SETUP,
        usual=(97.0, 98.0, 96.0, 97.0),
        last=[(95.5, 96.0, 94.0, 95.5)],
        columns={(LOW, 10): 95.0, (ATR, 0): 2.0},
        trigger=96.0,
        base=94.0,
        spoiled_beyond=95.0,
        cases=[
            ("depth", {}, 0.5, True),
            ("depth", {(LOW, 0): 94.8}, 0.1, True),
            ("depth", {(LOW, 0): 94.81}, 0.095, False),
            ("depth", {(LOW, 0): 93.0}, 1.0, True),
            ("depth", {(LOW, 0): 92.99}, 1.005, False),
            ("depth", {(LOW, 20): 94.5}, 0.25, True),
            ("depth", {(LOW, 21): 94.5}, 0.5, True),
            ("depth", {(LOW, 0): 95.0, (ATR, 0): 0.0}, nan, False),
            ("old", {}, 10.0, True),
            ("old", {(LOW, 10): 96.0, (LOW, 4): 95.0}, 4.0, True),
            ("old", {(LOW, 10): 96.0, (LOW, 3): 95.0}, 3.0, False),
            ("old", {(LOW, 2): 95.0}, 10.0, True),
            ("old", {(LOW, 2): 94.99}, 2.0, False),
            ("back_inside", {(CLOSE, 0): 95.01}, 0.01, True),
            ("back_inside", {(CLOSE, 0): 95.0}, 0.0, False),
            ("close_near_end", {(HIGH, 0): 97.0}, 0.5, True),
            ("close_near_end", {(HIGH, 0): 97.01}, 1.51 / 3.01, False),
        ],
    ),
    Picture(
        inside_bar.SETUP,
        usual=(101.0, 102.0, 100.0, 101.0),
        last=[(101.0, 104.0, 100.5, 103.0), (103.0, 103.5, 102.0, 102.5)],
        columns=TREND | {(ATR, 2): 2.0},
        trigger=104.0,
        base=102.0,
        spoiled_beyond=102.0,
        cases=[
            *TREND_CASES,
            ("strong", {(HIGH, 1): 102.5}, 1.0, True),
            ("strong", {(HIGH, 1): 102.49}, 0.995, False),
            ("solid", {(HIGH, 1): 104.5}, 0.5, True),
            ("solid", {(HIGH, 1): 104.51}, 2 / 4.01, False),
            ("direction", {(CLOSE, 1): 101.01}, 0.01, True),
            ("direction", {(CLOSE, 1): 101.0}, 0.0, False),
            ("within", {}, -0.5, True),
            ("within", {(HIGH, 0): 104.0}, 0.0, True),
            ("within", {(HIGH, 0): 104.01}, 0.01, False),
            ("within", {(LOW, 0): 100.5}, 0.0, True),
            ("within", {(LOW, 0): 100.49}, 0.01, False),
            ("small", {(LOW, 0): 101.4}, 0.6, True),
            ("small", {(LOW, 0): 101.39}, 2.11 / 3.5, False),
        ],
    ),
    Picture(
        three_bar_pullback.SETUP,
        usual=(102.0, 105.5, 101.0, 103.0),
        last=[
            (104.0, 106.5, 103.5, 106.0),
            (106.0, 107.0, 104.0, 105.0),
            (105.0, 106.0, 103.0, 104.0),
            (104.0, 105.0, 102.5, 103.0),
            (103.0, 104.5, 102.0, 102.5),
        ],
        columns=TREND | {(ATR, 0): 2.0},
        trigger=104.5,
        base=102.0,
        spoiled_beyond=None,
        cases=[
            *TREND_CASES,
            ("recent_high", {}, 3.0, True),
            ("recent_high", {(HIGH, 11): 107.5}, 11.0, True),
            ("recent_high", {(HIGH, 12): 107.5}, 12.0, False),
            ("recent_high", {(HIGH, 19): 107.5}, 19.0, False),
            ("recent_high", {(HIGH, 20): 107.5}, 3.0, True),
            ("recent_high", {(HIGH, 15): 107.0}, 3.0, True),
            ("pullback", {}, 3.0, True),
            ("pullback", {(HIGH, 4): 107.5}, 3.0, True),
            ("pullback", {(LOW, 4): 104.5}, 3.0, True),
            ("pullback", {(HIGH, 4): 107.5, (LOW, 4): 104.5}, 4.0, False),
            ("pullback", {(HIGH, 2): 107.0}, 2.0, False),
            ("pullback", {(LOW, 1): 103.0}, 1.0, False),
            ("pullback", {(HIGH, 0): 105.0}, 0.0, False),
            ("above_average", {(LOW, 0): 99.01}, -0.495, True),
            ("above_average", {(LOW, 0): 99.0}, -0.5, False),
            ("shallow", {(LOW, 0): 101.0}, 3.0, True),
            ("shallow", {(LOW, 0): 100.99}, 3.005, False),
        ],
    ),
    Picture(
        first_touch.SETUP,
        usual=(102.0, 103.0, 101.0, 102.0),
        last=[(101.0, 101.5, 99.5, 100.5)],
        columns=everywhere(EXPONENTIAL_AVERAGE, 100.0) | {(EXPONENTIAL_AVERAGE, 5): 99.0, (ATR, 0): 2.0},
        trigger=101.5,
        base=99.5,
        spoiled_beyond=None,
        cases=[
            ("away", {}, 20.0, True),
            ("away", {(LOW, 20): 100.01}, 20.0, True),
            ("away", {(LOW, 20): 100.0}, 19.0, False),
            ("away", {(LOW, 21): 90.0}, 20.0, True),
            ("away", {(LOW, 1): 100.0}, 0.0, False),
            ("away", {(EXPONENTIAL_AVERAGE, 7): 101.0}, 6.0, False),
            ("rising", {}, 1.0, True),
            ("rising", {(EXPONENTIAL_AVERAGE, 5): 99.99}, 0.01, True),
            ("rising", {(EXPONENTIAL_AVERAGE, 5): 100.0}, 0.0, False),
            ("touch", {(LOW, 0): 100.0}, 0.0, True),
            ("touch", {(LOW, 0): 100.01}, 0.01, False),
            ("holds", {(CLOSE, 0): 99.51}, -0.245, True),
            ("holds", {(CLOSE, 0): 99.5}, -0.25, False),
        ],
    ),
    Picture(
        flag.SETUP,
        usual=(103.0, 104.0, 102.0, 103.0),
        last=[
            (108.0, 110.0, 107.0, 109.5),
            (109.0, 109.5, 108.0, 109.0),
            *[(109.0, 109.5, 108.0, 109.2)] * 4,
            (109.0, 109.25, 108.0, 108.5),
        ],
        columns=everywhere(ATR, 2.0) | {(LOW, 13): 100.0},
        trigger=109.5,
        base=108.0,
        spoiled_beyond=105.0,
        cases=[
            ("rise", {}, 5.0, True),
            ("rise", {(ATR, 0): 2.5}, 4.0, True),
            ("rise", {(ATR, 0): 2.51}, 10 / 2.51, False),
            ("rise", {(LOW, 13): 102.0, (LOW, 14): 90.0}, 4.0, True),
            ("rise", {(LOW, 6): 99.0}, 5.5, True),
            ("new_high", {}, 6.0, True),
            ("new_high", {(HIGH, 13): 109.99}, 0.01, True),
            ("new_high", {(HIGH, 13): 110.0}, 0.0, False),
            ("new_high", {(HIGH, 14): 120.0}, 6.0, True),
            ("pause", {}, 6.0, True),
            ("pause", {(HIGH, 4): 110.5}, 4.0, True),
            ("pause", {(HIGH, 3): 110.5}, 3.0, False),
            ("pause", {(HIGH, 3): 110.0}, 6.0, True),
            ("pause", {(HIGH, 10): 110.5}, 10.0, True),
            ("new_high", {(HIGH, 11): 110.5}, -0.5, False),
            ("given_back", {(LOW, back): 108.5 for back in range(6)}, 0.15, True),
            ("given_back", {(LOW, back): 108.51 for back in range(6)}, 0.149, False),
            ("given_back", {(LOW, 2): 105.0}, 0.5, True),
            ("given_back", {(LOW, 2): 104.99}, 0.501, False),
            ("falling", {(CLOSE, 0): 108.99}, 0.01, True),
            ("falling", {(CLOSE, 0): 109.0}, 0.0, False),
            ("first", {}, 0.0, True),
            ("first", {(CLOSE, 1): 108.99}, 1.0, False),
            ("first", {(CLOSE, 2): 108.99}, 1.0, False),
            ("first", {(CLOSE, 1): 108.99, (CLOSE, 2): 108.99}, 2.0, False),
            ("first", {(CLOSE, 3): 108.99}, 0.0, True),
            ("first", {(CLOSE, 1): 108.99, (ATR, 1): 2.51}, 0.0, True),
        ],
    ),
]
every_picture = pytest.mark.parametrize("picture", PICTURES, ids=lambda picture: picture.setup.name)


def fitted(picture: Picture, series: NDArray[np.float64], sign: int) -> tuple[bool, Fit]:
    setup, last = picture.setup, BARS - 1
    fit = fit_at(setup, series, last, sign)
    measured, verdicts = np.full_like(fit.measured, ODD), np.full_like(fit.verdicts, 9)
    held = setup.measure(series, last, float(sign), setup.numbers().record()[0], measured, verdicts)
    np.testing.assert_array_equal(measured, fit.measured)
    np.testing.assert_array_equal(verdicts, fit.verdicts)
    return held, fit


@every_picture
def test_each_threshold_just_inside_and_just_outside(picture: Picture) -> None:
    assert {case[0] for case in picture.cases} == set(picture.setup.rules)
    for rule, changes, measured, holds in picture.cases:
        series, index = picture.series(changes), picture.setup.rules.index(rule)
        for sign, seen in ((1, series), (-1, mirrored(series))):
            held, fit = fitted(picture, seen, sign)
            assert fit.measured[index] == pytest.approx(measured, nan_ok=True), (rule, changes, sign)
            assert fit.verdicts[index] == holds, (rule, changes, sign)
            assert held == all(fit.verdicts)


@every_picture
def test_the_picture_fulfils_its_setup_and_gives_its_levels(picture: Picture) -> None:
    series = picture.series({})
    for sign, seen in ((1, series), (-1, mirrored(series))):
        held, fit = fitted(picture, seen, sign)
        assert held
        assert not fitted(picture, seen, -sign)[0]
        assert fit.levels["trigger"] == sign * picture.trigger
        assert fit.levels["base"] == sign * picture.base
        assert Spoiler.of(fit.levels).beyond == (
            None if picture.spoiled_beyond is None else sign * picture.spoiled_beyond
        )


def test_what_else_spoils() -> None:
    """The hammer's bars, the pullback's average, and the closes below the average of the first touch."""
    spoilers: dict[str, tuple[str, Spoiler]] = {}
    for picture in PICTURES:
        for name, changes in (("", {}), (" closed below", {(CLOSE, 0): 99.75})):
            _, fit = fitted(picture, picture.series(changes), 1)
            words = picture.setup.words(fit, picture.setup.numbers())
            spoilers[picture.setup.name + name] = words.spoiler, Spoiler.of(fit.levels)
    assert spoilers["hammer"] == ("2 bars without a break of the hammer's high", Spoiler(bars=2))
    below = "a close below the 50-bar average"
    assert spoilers["three_bar_pullback"] == (below, Spoiler(average=FAST_AVERAGE))
    closes = "2 closes below the 20-bar exponential average"
    assert spoilers["first_touch"] == (closes, Spoiler(average=EXPONENTIAL_AVERAGE, closes=2))
    own = f"{closes}, the touch's own included"
    assert spoilers["first_touch closed below"] == (own, Spoiler(average=EXPONENTIAL_AVERAGE, closes=1))


def test_the_outside_bars_stop_base_is_no_further_than_two_atr_from_the_close() -> None:
    picture = next(picture for picture in PICTURES if picture.setup is outside_bar.SETUP)
    for low, base in ((97.25, 97.25), (97.24, 97.25)):
        series = picture.series({(LOW, 0): low, (ATR, 0): 2.0})
        for sign, seen in ((1, series), (-1, mirrored(series))):
            _, fit = fitted(picture, seen, sign)
            assert fit.levels["base"] == sign * base


def test_the_engulfing_bars_stop_base_is_the_lower_low() -> None:
    picture = PICTURES[0]
    _, fit = fitted(picture, picture.series({(LOW, 1): 93.5}), 1)
    assert fit.levels["base"] == 93.5


def test_bounds_that_cross_are_refused_in_one_sentence() -> None:
    with pytest.raises(ValidationError, match=r"range_min \(4\) must not be greater than range_max \(3\)"):
        outside_bar.OutsideBarNumbers(range_min=4.0)
