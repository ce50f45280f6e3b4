"""Usual answers are told from all others, and taken apart as a close look would."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from scanner.market.bars import Bars, RawBars
from scanner.market.calendars import calendar_named
from scanner.market.sessions import Timetable
from scanner.market.timeframes import Timeframe
from scanner.service.usual import usual_rows

TIMETABLES = [Timetable(calendar_named(name), Timeframe.named("15m")) for name in ("none", "24/7", "XNYS")]
MARCH, MAY = 1_772_323_200_000_000_000, 1_777_593_600_000_000_000
SPANS = TIMETABLES[2].closes_between(MARCH, MAY)
"""The bars of two months in New York, with summer time begun between them."""


def bars_from(first: int, count: int) -> Bars:
    prices = 100 + np.arange(first, first + count, dtype=np.float64)
    part = slice(first, first + count)
    return Bars(SPANS[0][part], SPANS[1][part], prices, prices + 2, prices - 2, prices + 1, np.full(count, np.nan))


def sent(bars: Bars, kind: str = "open") -> RawBars:
    stamps = bars.close_time if kind == "close" else bars.open_time
    rows = np.arange(len(bars))
    raw = RawBars(stamps, bars.open, bars.high, bars.low, bars.close, bars.volume, rows, "tape")
    return replace(raw, stamp_kind=kind)  # type: ignore[arg-type]  # one of the three


@given(
    first=st.integers(0, 500),
    skipped=st.integers(0, 2),
    count=st.integers(1, 4),
    late=st.integers(-900, 3_000),
    kind=st.sampled_from(["open", "close"]),
    changed=st.sampled_from([None, None, "open", "high", "low", "close", "volume"]),
    which=st.sampled_from(TIMETABLES),
)
def test_what_is_taken_for_usual_is_what_a_close_look_would_give(
    first: int, skipped: int, count: int, late: int, kind: str, changed: str | None, which: Timetable
) -> None:
    last, answered = bars_from(first, 1).last(), bars_from(first + skipped, count)
    assert last is not None
    if changed is not None:
        answered = replace(answered, **{changed: getattr(answered, changed).copy()})
        getattr(answered, changed)[0] = 99.5
    now = last.close_time + late * 1_000_000_000
    given_ = usual_rows(sent(answered, kind), last, which, now)
    if given_ is None:
        return
    assert not skipped
    assert changed is None
    closed, new = given_
    stays = int(np.sum(answered.close_time <= now)) if late >= 0 else 1
    assert np.array_equal(closed.open, answered.open[:stays])
    assert np.array_equal(new.open, answered.open[1:stays])


def test_the_answers_that_come_by_the_thousand_are_usual() -> None:
    last, now = bars_from(40, 1).last(), int(SPANS[1][41])
    for which in TIMETABLES:
        for count, new in ((1, 0), (2, 1), (3, 1)):
            answer = usual_rows(sent(bars_from(40, count)), last, which, now)
            assert answer is not None
            assert len(answer[1]) == new
    over_night = int(np.flatnonzero(np.diff(SPANS[1]) > 900_000_000_000)[0])
    closes = int(SPANS[1][over_night + 1])
    last, answered = bars_from(over_night, 1).last(), sent(bars_from(over_night, 2))
    taken = [usual_rows(answered, last, which, closes) for which in TIMETABLES]
    assert [answer is not None for answer in taken] == [False, False, True]
