"""For each setup a tape on which it holds, and for each of its thresholds one just inside and one just outside.

All begin with 250 quiet bars (see ``hand_tapes``): closes, averages and EMA 20 at 100, lows at 99, highs at 101, usual
body 1, ATR 2. The bars of an example follow. A change replaces bars, numbered back from the last one.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from tests.outside.hand_tapes import PAUSE, A, B, Change, D, bar, quiet

if TYPE_CHECKING:
    from tests.outside.plain_terms import Bar

QUIET = 250


def ladder(first: float, rise: float, bars: int) -> tuple[str, ...]:
    """Give bars on which the EMA 20 rises from 100 in equal steps: each closes 21/2 steps above the previous EMA."""
    closes = [100 + rise * (number + 10.5) for number in range(bars)]
    return tuple(f"{close - 0.01:.3f} {close + 2 - first:.3f} {close - first:.3f} {close:.3f}" for close in closes)


EXAMPLES: dict[str, tuple[str, ...]] = {
    "doji_pause": tuple(str(PAUSE[number]) for number in (A, D, B)),
    "engulfing": ("100.2 100.4 99 99.2", "99.1 100.7 98.8 100.4"),
    "outside_bar": ("99 102 98.5 101.8",),
    "hammer": ("100.2 100.4 98 100",),
    "false_break": ("99.5 100.5 98.5 100.2",),
    "inside_bar": ("100 102 99.8 101.5", "101.4 101.9 101 101.6"),
    "three_bar_pullback": (
        "100 103 99.9 102.8",
        "102.8 104 102.6 103.8",
        "103.5 103.7 102.3 102.5",
        "102.5 103 101.8 102",
        "102 102.5 101.4 101.8",
    ),
    # Lows 0.4 above the EMA, which is at 105 after the 25 bars and at 105 + 2/21 · 1.5 = 105.143 at the last.
    "first_touch": (*ladder(1.5, 0.2, 25), "107 107.3 105 106.5"),
    # A rise of 10 from the quiet lows; 2.5 are given back.
    "flag": (
        "100 103 99.5 102.8",
        "102.8 106 102.5 105.8",
        "105.8 109 105.5 108.5",
        "108.4 108.6 107 107.5",
        "107.5 108 106.8 107.3",
        "107.3 107.8 106.6 107",
        "107 107.5 106.5 107.2",
    ),
}

LEVELS = {
    "doji_pause": ("104.5", "101.6"),
    "engulfing": ("100.7", "98.8"),
    "outside_bar": ("102", "98.5"),
    "hammer": ("100.4", "98"),
    "false_break": ("100.5", "98.5"),
    "inside_bar": ("102", "101"),
    "three_bar_pullback": ("102.5", "101.4"),
    "first_touch": ("107.3", "105"),
    "flag": ("108", "106.5"),
}
"""Trigger and stop base of each example."""

FEW_BODIES: Change = {2: "101.5 101.5 99 100"}
"""The 13 bodies before the engulfed one then sum to 13.5, and a 27th of that is 0.5."""

SLOW_LADDER: Change = dict(zip(range(25, 0, -1), ladder(0.01, 0.002, 25), strict=True))

SHALLOW: Change = {
    3: "108.4 108.6 107.5 107.9",
    2: "107.9 108.4 107.6 107.8",
    1: "107.8 108.3 107.6 107.8",
    0: "107.8 108.2 107.6 107.7",
}
SMALL: Change = {
    4: "105.8 106.2 105.5 106",
    3: "106 106.2 105 105.5",
    2: "105.5 106 104.8 105.3",
    1: "105.3 105.8 104.6 105",
    0: "105 105.5 104.5 105.2",
}
"""A rise of only 7.2, while 4 ATR are 7.42."""


def flag_of(bars: int) -> Change:
    """Give the flag with some bars after its high; only the last of them closes below the first."""
    rise: Change = dict(zip((bars + 2, bars + 1, bars, bars - 1), EXAMPLES["flag"][:4], strict=True))
    return rise | dict.fromkeys(range(bars - 2, 0, -1), "107.5 107.9 106.8 107.6") | {0: EXAMPLES["flag"][-1]}


THRESHOLDS: list[tuple[str, str, Change, Change]] = [
    # The usual body is (13 + 0.72) / 14 = 0.98.
    (
        "engulfing",
        "body",
        {1: "100 100.3 99 99.28", 0: "99.28 100.5 98.8 100.26"},
        {1: "100 100.3 99 99.28", 0: "99.28 100.5 98.8 100.25"},
    ),
    ("engulfing", "half a body", FEW_BODIES | {1: "100 100.3 99 99.5"}, FEW_BODIES | {1: "100 100.3 99 99.51"}),
    ("engulfing", "opens", {0: "99.2 100.7 98.8 100.4"}, {0: "99.21 100.7 98.8 100.4"}),
    ("engulfing", "closes", {0: "99.1 100.7 98.8 100.2"}, {0: "99.1 100.7 98.8 100.19"}),
    ("engulfing", "third", {0: "99.1 101.2 98.8 100.4"}, {0: "99.1 101.21 98.8 100.4"}),
    (
        "engulfing",
        "lowest",
        {0: "99.1 100.7 99 100.4"},
        {1: "100.2 100.4 99.01 99.2", 0: "99.1 100.7 99.01 100.4"},
    ),
    ("engulfing", "ten bars", {10: "100 101 98 100"}, {9: "100 101 98 100"}),
    ("outside_bar", "below", {0: "99 102 98.99 101.8"}, {0: "99 102 99 101.8"}),
    ("outside_bar", "above", {0: "99 101.2 98.5 101.01"}, {0: "99 101.2 98.5 101"}),
    ("outside_bar", "1.2 ATR", {0: "99 101.3 98.9 101.2"}, {0: "99 101.29 98.9 101.2"}),
    ("outside_bar", "3 ATR", {0: "99 104.5 98.5 104"}, {0: "99 104.51 98.5 104"}),
    ("outside_bar", "quarter", {0: "99 102.5 98.5 101.5"}, {0: "99 102.51 98.5 101.5"}),
    ("outside_bar", "lowest", {19: "100 101 98.5 100"}, {19: "100 101 98.49 100"}),
    ("outside_bar", "twenty bars", {20: "100 101 98 100"}, {19: "100 101 98 100"}),
    ("hammer", "0.8 ATR", {0: "100.3 100.5 98.9 100.2"}, {0: "100.3 100.49 98.9 100.2"}),
    ("hammer", "two bodies", {0: "99.4 100.2 98 100.1"}, {0: "99.39 100.2 98 100.1"}),
    ("hammer", "six tenths", {0: "99.2 100 98 99.7"}, {0: "99.19 100 98 99.7"}),
    ("hammer", "upper shadow", {0: "99.5 100 98 99.7"}, {0: "99.5 100 98 99.69"}),
    ("hammer", "lowest", {0: "100.8 101 99 100.9"}, {0: "100.8 101 99.01 100.9"}),
    ("hammer", "ten bars", {10: "100 101 97.9 100"}, {9: "100 101 97.9 100"}),
    # The bar is 2 long, so that the ATR stays 2.
    ("false_break", "0.1 ATR", {0: "99.5 100.8 98.8 100.5"}, {0: "99.5 100.81 98.81 100.5"}),
    # A bar of 3.4 makes the ATR (26 + 3.4) / 14 = 2.1, and 99 − 96.9 is as much.
    ("false_break", "1 ATR", {0: "99.5 100.3 96.9 100"}, {0: "99.5 100.3 96.89 100"}),
    ("false_break", "half", {0: "99.5 100.5 98.5 99.5"}, {0: "99.5 100.5 98.5 99.49"}),
    ("false_break", "back above", {0: "99.5 100 98 99.01"}, {0: "99.5 100 98 99"}),
    ("false_break", "four bars", {4: "100 101 98.9 100"}, {3: "100 101 98.9 100"}),
    (
        "false_break",
        "earliest of equal lows",
        {6: "100 101 98.9 100", 2: "100 101 98.9 100"},
        {6: "100 101 98.91 100", 2: "100 101 98.9 100"},
    ),
    ("false_break", "twenty bars", {21: "100 101 98 100"}, {20: "100 101 98 100"}),
    (
        "inside_bar",
        "1 ATR",
        {1: "100 101.8 99.8 101.3", 0: "101.2 101.5 100.8 101.3"},
        {1: "100 101.79 99.8 101.3", 0: "101.2 101.5 100.8 101.3"},
    ),
    (
        "inside_bar",
        "solid",
        {1: "100 102 99.8 101.1", 0: "101 101.5 100.8 101.2"},
        {1: "100 102 99.8 101.09", 0: "101 101.5 100.8 101.2"},
    ),
    ("inside_bar", "up", {}, {1: "101.5 102 99.8 100"}),
    ("inside_bar", "top", {0: "101.4 102 101 101.6"}, {0: "101.4 102.01 101 101.6"}),
    ("inside_bar", "bottom", {0: "100.5 101 99.8 100.9"}, {0: "100.5 101 99.79 100.9"}),
    ("inside_bar", "six tenths", {0: "101.4 101.9 100.58 101.6"}, {0: "101.4 101.9 100.57 101.6"}),
    # 50 closes, with 101.47 and 100.03 among them, have a mean of 100.03.
    (
        "inside_bar",
        "close above SMA 50",
        {1: "100 102 99.8 101.47", 0: "100.5 101 99.9 100.031"},
        {1: "100 102 99.8 101.47", 0: "100.5 101 99.9 100.03"},
    ),
    # 1.5 and 1.6 above 100 are 3.1 / 50 in the one average and, with 9.3 more, 12.4 / 200 in the other.
    ("inside_bar", "SMA 50 above SMA 200", {100: quiet(100, "109.29")}, {100: quiet(100, "109.3")}),
    ("inside_bar", "SMA 50 higher", {55: quiet(55, "103.09")}, {55: quiet(55, "103.1")}),
    ("inside_bar", "ten bars", {60: quiet(60, "105")}, {59: quiet(59, "105")}),
    ("three_bar_pullback", "lower high", {0: "102 102.99 101.4 101.8"}, {0: "102 103 101.4 101.8"}),
    ("three_bar_pullback", "lower low", {0: "102 102.5 101.79 101.8"}, {0: "102 102.5 101.8 101.8"}),
    ("three_bar_pullback", "not four", {4: "102.9 104 102.7 103"}, {4: "102.9 104.01 102.7 103"}),
    ("three_bar_pullback", "not two", {}, {2: "103.5 104 102.3 102.5"}),
    ("three_bar_pullback", "among twelve", {12: "100 104 99 100"}, {12: "100 104.01 99 100"}),
    ("three_bar_pullback", "twelve bars", {11: "100 105 99 100"}, {12: "100 105 99 100"}),
    ("three_bar_pullback", "twenty bars", {20: "100 105 99 100"}, {19: "100 105 99 100"}),
    ("three_bar_pullback", "above SMA 50", {0: "102 102.5 99.25 101.8"}, {0: "102 102.5 99.24 101.8"}),
    ("three_bar_pullback", "3 ATR", {3: "102.8 107.65 102.6 103.8"}, {3: "102.8 107.66 102.6 103.8"}),
    # A close of 107.1 makes the EMA 105.2.
    ("first_touch", "touch", {0: "107 107.3 105.2 107.1"}, {0: "107 107.3 105.21 107.1"}),
    ("first_touch", "close", {0: "107 107.3 104 104.42"}, {0: "107 107.3 104 104.41"}),
    ("first_touch", "above until then", {20: "103 103.6 101.21 103.1"}, {20: "103 103.6 101.2 103.1"}),
    ("first_touch", "twenty bars", {21: "102.8 103.4 100 102.9"}, {20: "103 103.6 100 103.1"}),
    # The last close, 21/2 · 0.008 = 0.084 below the EMA, undoes what four bars added to the EMA.
    (
        "first_touch",
        "higher",
        SLOW_LADDER | {0: "99.97 100.1 99.9 99.967"},
        SLOW_LADDER | {0: "99.97 100.1 99.9 99.966"},
    ),
    ("flag", "0.15 given back", SHALLOW, SHALLOW | {3: "108.4 108.6 107.51 107.9"}),
    ("flag", "half given back", {0: "107 107.5 104 107.2"}, {0: "107 107.5 103.99 107.2"}),
    ("flag", "close", {0: "107 107.5 106.5 107.49"}, {0: "107 107.5 106.5 107.5"}),
    ("flag", "new high", {2: "107.5 109 106.8 107.3"}, {2: "107.5 109.01 106.8 107.3"}),
    ("flag", "4 ATR", SMALL | {4: "105.8 106.48 105.5 106"}, SMALL | {4: "105.8 106.47 105.5 106"}),
    ("flag", "eight bars", SMALL | {11: "100 101 97 100"}, SMALL | {12: "100 101 97 100"}),
    ("flag", "at least four bars", flag_of(4), flag_of(3)),
    ("flag", "at most ten bars", flag_of(10), flag_of(11)),
    ("flag", "first", flag_of(5), flag_of(5) | {1: "107.5 107.9 106.8 107.4"}),
]


def tape_of(setup: str, change: Change | None = None) -> list[Bar]:
    """Give the tape of an example, with some bars replaced."""
    bars = [quiet(number) for number in range(QUIET)] + [bar(text) for text in EXAMPLES[setup]]
    for back, replaced in (change or {}).items():
        bars[-1 - back] = bar(replaced) if isinstance(replaced, str) else replaced
    return bars
