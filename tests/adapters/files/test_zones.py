"""Clock times of a zone: compared with the standard library's zoneinfo, which converts the other way."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.feeds.files.times.zones import LocalClock
from adapters.feeds.files.trouble import ReadingOptions
from scanner.market.bars import NO_TIME
from tests.adapters.files.bar_tables import read
from tests.effort import EFFORT

if TYPE_CHECKING:
    from pathlib import Path

SECOND = 1_000_000_000
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
# Half an hour of summer time; a change at midnight; a whole day left out in 2011; odd seconds before 1937.
ZONES = st.sampled_from(
    [
        "America/New_York",
        "Europe/Berlin",
        "Australia/Lord_Howe",
        "America/Sao_Paulo",
        "Pacific/Apia",
        "Europe/Amsterdam",
    ]
)
TIMES = st.integers(-5_000_000_000, 6_000_000_000)


def clock_time(moment: int, zone: ZoneInfo) -> datetime:
    return (EPOCH + timedelta(seconds=moment)).astimezone(zone)


def local(moments: list[int], zone: ZoneInfo) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    offsets = [int((clock_time(moment, zone).utcoffset() or timedelta()).total_seconds()) for moment in moments]
    return (np.array(moments, dtype=np.int64) + np.array(offsets, dtype=np.int64)) * SECOND


def test_rows_in_order_run_through_every_change_of_the_clocks() -> None:
    """Years of half hours, both passes of every repeated hour told apart, in chunks of any size."""
    for name in ("America/New_York", "Europe/Berlin", "Australia/Lord_Howe", "America/Sao_Paulo"):
        zone = ZoneInfo(name)
        moments = np.arange(1_000_000_000, 1_000_000_000 + 2 * EFFORT * 365 * 86_400, 1_800)
        clock = LocalClock(zone)
        parts = np.array_split(local(moments.tolist(), zone), 7)
        found = np.concatenate([clock.to_utc(part) for part in parts])
        np.testing.assert_array_equal(found, moments * SECOND)


@given(moments=st.lists(TIMES, max_size=40), name=ZONES)
def test_times_that_come_once_are_those_of_zoneinfo(moments: list[int], name: str) -> None:
    zone = ZoneInfo(name)
    once = [
        moment
        for moment in moments
        if clock_time(moment, zone).utcoffset() == clock_time(moment, zone).replace(fold=1).utcoffset()
        and clock_time(moment, zone).fold == 0
    ]
    assert LocalClock(zone).to_utc(local(once, zone)).tolist() == [moment * SECOND for moment in once]


@given(hours=st.lists(st.integers(0, 80), min_size=1, max_size=30, unique=True).map(sorted), cut=st.integers(0, 30))
def test_chunks_change_nothing(hours: list[int], cut: int) -> None:
    zone = ZoneInfo("America/New_York")
    clock_times = (np.array(hours) * 1_800 + 1_636_243_200) * SECOND  # from 2021-11-07 00:00 by the clock on
    parts = LocalClock(zone)
    np.testing.assert_array_equal(
        np.concatenate([parts.to_utc(clock_times[:cut]), parts.to_utc(clock_times[cut:])]),
        LocalClock(zone).to_utc(clock_times),
    )


@pytest.mark.parametrize(
    ("zone", "clock_times", "utc"),
    [
        # Summer time begins: 02:30 never was, and is not moved to where it was not.
        ("Europe/Berlin", ["2021-03-28 01:30", "2021-03-28 02:30", "2021-03-28 03:30"], ["00:30", None, "01:30"]),
        # It ends: the first 02:30 is the earlier one, a second one the later.
        ("Europe/Berlin", ["2021-10-31 02:30"], ["00:30"]),
        ("Europe/Berlin", ["2021-10-31 02:30", "2021-10-31 02:30", "2021-10-31 03:00"], ["00:30", "01:30", "02:00"]),
        # Clocks that change at midnight.
        ("America/Sao_Paulo", ["2018-11-03 23:30", "2018-11-04 00:30", "2018-11-04 01:00"], ["02:30", None, "03:00"]),
    ],
)
def test_what_is_chosen_when_the_clocks_change(
    tmp_path: Path, zone: str, clock_times: list[str], utc: list[str | None]
) -> None:
    path = tmp_path / "bars.csv"
    rows = [f"{time},1,2,1,2" for time in clock_times]
    path.write_text("\n".join(["time,open,high,low,close", *rows]))
    (raw,) = read(path, ReadingOptions(tz=zone)).values()
    found = [
        None if stamp == NO_TIME else (EPOCH + timedelta(seconds=stamp // SECOND)).strftime("%H:%M")
        for stamp in raw.stamp.tolist()
    ]
    assert found == utc
    skipped = {row: time for row, (time, right) in enumerate(zip(clock_times, utc, strict=True), 2) if right is None}
    assert raw.unreadable == {
        row: f"time {time}:00, which the clocks of {zone} skipped" for row, time in skipped.items()
    }


def test_each_instrument_has_its_own_order(tmp_path: Path) -> None:
    """Interleaved, two instruments pass the repeated hour twice each."""
    times = ["01:00", "01:30", "01:00", "01:30", "02:00"]
    rows = [f"{symbol},2021-11-07 {time},1,2,1,2" for time in times for symbol in "AB"]
    path = tmp_path / "bars.csv"
    path.write_text("\n".join(["symbol,time,open,high,low,close", *rows]))
    for raw in read(path, ReadingOptions(tz="America/New_York")).values():
        assert (np.diff(raw.stamp) == 1_800 * SECOND).all()
