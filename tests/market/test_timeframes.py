"""Timeframes, found by name and from the spacing of bars."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scanner.market.bars import NO_TIME
from scanner.market.sessions.calendars import calendar_named
from scanner.market.sessions.timeframes import ALL, Timeframe
from scanner.market.sessions.timetables import Timetable
from tests.market.test_sessions import at

TOLD_BY_SPACING = [timeframe for timeframe in ALL if timeframe.name not in {"4h", "8h"}]
"""New York has one 8-hour bar a session, spaced like days, and two 4-hour bars, of which gaps leave too little."""


def test_a_name_that_is_none_is_answered_with_the_choices() -> None:
    assert Timeframe.named(" 4H ").seconds == 14_400
    with pytest.raises(ValueError, match=r"there is no timeframe '7m'; choose one of 1m, 2m, 3m, .* 1d, 1w"):
        Timeframe.named("7m")


@settings(deadline=None)
@given(st.sampled_from(TOLD_BY_SPACING), st.integers(0, 40), st.integers(40, 120), st.integers(0, 99))
def test_the_spacing_of_bars_with_gaps_tells_their_timeframe(
    timeframe: Timeframe, skipped: int, length: int, seed: int
) -> None:
    opens, _ = Timetable(calendar_named("XNYS"), timeframe).closes_between(at("2023-03-01"), at("2025-12-01"))
    stamps = opens[skipped : skipped + length]
    kept = stamps[np.random.default_rng(seed).random(len(stamps)) < 0.9]
    unread = np.insert(kept, len(kept) // 2, NO_TIME)
    assert Timeframe.from_spacing(unread) == timeframe


def test_two_bars_a_session_are_recognised_by_the_shorter_gap() -> None:
    opens, _ = Timetable(calendar_named("XNYS"), Timeframe.named("4h")).closes_between(
        at("2026-03-02"), at("2026-04-01")
    )
    for count in range(2, len(opens)):
        assert Timeframe.from_spacing(opens[:count]) == Timeframe.named("4h")


def test_two_stamps_with_a_long_weekend_between_them_are_days() -> None:
    friday, tuesday, wednesday = (at(f"2026-03-{day}T00:00") for day in ("06", "10", "11"))
    assert Timeframe.from_spacing(np.array([friday, tuesday])) == Timeframe.named("1d")
    assert Timeframe.from_spacing(np.array([friday, wednesday])) is None


@pytest.mark.parametrize("stamps", [[], [0], [5, 5], [9, 3], [0, 7_000_000_000, 14_000_000_000]])
def test_what_fits_no_timeframe_is_none(stamps: list[int]) -> None:
    assert Timeframe.from_spacing(np.array(stamps, dtype=np.int64)) is None
