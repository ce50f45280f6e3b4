"""One pass over rows says what is unusual among them: the same as reading each row by itself finds."""

from __future__ import annotations

from itertools import pairwise
from math import inf, isnan, nan

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from scanner.market.bars import RawBars
from scanner.market.unusual import JUMPS, NUMBERS, SEAMS, STILL, VOLUMES, unusual

Row = tuple[int, int, float, float, float, float, float]

NUMBER = st.sampled_from([10.0, 10.0, 10.5, 11.0, 17.9, 18.0, 20.0, 0.0, -3.0, 1e15, -1e15, inf, -inf, nan])
VOLUME = st.sampled_from([5.0, 5.0, 5.0, 0.0, nan, -1.0, inf])
SOUND = st.tuples(st.sampled_from([9.0, 10.0, 12.0, 16.2, 20.0]), st.sampled_from([0.0, 1.0]), VOLUME).map(
    lambda drawn: (drawn[0], drawn[0] + drawn[1], drawn[0], drawn[0] + drawn[1], drawn[2])
)
TIMES = st.tuples(st.integers(0, 3), st.integers(1, 2)).map(lambda drawn: (drawn[0], sum(drawn)))
ROW = st.tuples(TIMES, SOUND | st.tuples(NUMBER, NUMBER, NUMBER, NUMBER, VOLUME)).map(lambda row: (*row[0], *row[1]))


def is_sound(row: Row) -> bool:
    """Say whether a row has numbers that a bar can have."""
    *prices, volume = row[2:]
    real = all(-1e15 < price < 1e15 for price in prices)
    return real and prices[1] == max(prices) and prices[2] == min(prices) and not (volume < 0 or volume == inf)


def between(one: Row, other: Row) -> int:
    """Say what is unusual about a row after another."""
    least, most = min(other[4], one[5]), max(other[3], one[5])
    return (
        SEAMS * (other[0] != one[1])
        | VOLUMES * (isnan(other[6]) != isnan(one[6]))
        | JUMPS * (least > 0 and most >= 1.8 * least)
    )


@given(st.lists(ROW, min_size=1, max_size=12), st.none() | ROW)
def test_one_pass_finds_what_there_is_to_find(rows: list[Row], before: Row | None) -> None:
    opens, closes, first, high, low, close, volume = (np.array(column) for column in zip(*rows, strict=True))
    raw = RawBars(opens, first, high, low, close, volume, np.arange(len(rows)), "gulls.csv")
    last = None if before is None else before[:2]
    found = unusual(raw, opens, closes, last, (nan,) * 5 if before is None else before[2:])

    price = rows[0][2]
    whole = [before or (0, rows[0][0], price, price, price, price, rows[0][6]), *rows]
    wanted = 0
    for one, other in pairwise(whole):
        wanted |= between(one, other)
    for row in rows:
        wanted |= NUMBERS * (not is_sound(row)) | STILL * (row[3] == row[4] and row[6] == 0)
    told = ~0 if all(map(is_sound, whole)) else ~JUMPS  # of prices that cannot be read, nobody asks how far they jump
    assert found & told == wanted & told
