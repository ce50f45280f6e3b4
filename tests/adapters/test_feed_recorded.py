"""The feed ``recorded``: what it gives of files, and that it gives it without a copy."""

from __future__ import annotations

import tracemalloc
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import pytest

from adapters.feeds.recorded import RecordedFeed
from scanner.ports import FeedTroubleError, Want

if TYPE_CHECKING:
    from pathlib import Path

MINUTE = 60_000_000_000
BEGIN = datetime(2026, 3, 2, tzinfo=UTC)
ROWS = 5_000
FIRST = int(BEGIN.timestamp()) * 1_000_000_000


def feed_of(folder: Path, count: int, *, disordered: bool = False) -> RecordedFeed:
    """Make a feed of some files, already read, at the last bar but one."""
    lines = [f"{(BEGIN + timedelta(minutes=n)).isoformat()},10,11,9,10.5,{n}" for n in range(ROWS)]
    if disordered:
        lines[0], lines[1] = lines[1], lines[0]
    for number in range(count):
        (folder / f"S{number}.csv").write_text("time,open,high,low,close,volume\n" + "\n".join(lines) + "\n")
    feed = feed_from(folder, BEGIN + timedelta(minutes=ROWS - 2))
    feed.play()
    return feed


def feed_from(folder: Path, begin: datetime) -> RecordedFeed:
    return RecordedFeed(RecordedFeed.Settings(path=folder, begin=begin.isoformat(), pace=0.001))


@pytest.mark.parametrize("disordered", [False, True])
async def test_what_has_come_since_a_time_is_given_in_the_order_of_the_file(
    tmp_path: Path, *, disordered: bool
) -> None:
    feed = feed_of(tmp_path, 1, disordered=disordered)
    wants = [Want("S0", "1m", since) for since in (None, FIRST + 10 * MINUTE, FIRST + ROWS * MINUTE)]
    whole, part, nothing = [answer.bars.volume.tolist() for answer in await feed.fetch(wants)]
    begun = [1, 0] if disordered else [0, 1]
    assert whole == [*begun, *range(2, ROWS - 1)]
    assert part == list(range(10, ROWS - 1))
    assert nothing == []


async def test_the_history_of_many_series_takes_no_memory_of_its_own(tmp_path: Path) -> None:
    feed = feed_of(tmp_path, 20)
    tracemalloc.start()
    try:
        answers = await feed.fetch([Want(f"S{number}", "1m", None) for number in range(20)])
        held = tracemalloc.get_traced_memory()[0]
    finally:
        tracemalloc.stop()
    assert sum(len(answer.bars) for answer in answers) == 20 * (ROWS - 1)
    assert held < 100_000


def test_a_begin_outside_the_recording_is_refused(tmp_path: Path) -> None:
    feed_of(tmp_path, 1)
    last, day, minute = BEGIN + timedelta(minutes=ROWS - 1), timedelta(days=1), timedelta(minutes=1)
    for begin in (BEGIN - day, last):
        feed_from(tmp_path, begin).play()
    for begin in (BEGIN - day - minute, last + minute, datetime.min.replace(tzinfo=UTC)):
        with pytest.raises(FeedTroubleError, match=r"from 2026-03-02T00:00:00Z to 2026-03-05T11:19:00Z$"):
            feed_from(tmp_path, begin).play()
    for begun in ("2026-03-02", "noon"):
        with pytest.raises(ValueError, match=r"it must be a time with its zone, as in 2024-06-03T13:30:00Z"):
            RecordedFeed.Settings(path=tmp_path, begin=begun)
