"""Known splits of a recording: those that it reaches count from its first bar on, later ones not at all."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import pytest

from scanner.configuration.model.settings import load
from scanner.replays.recordings import Reading, inputs_for, recordings
from scanner.replays.replay import Tally

if TYPE_CHECKING:
    from pathlib import Path

FIRST = datetime(2024, 3, 4, tzinfo=UTC)
CONFIG = """\
[defaults]
step = "0.01"
calendar = "24/7"
timeframes = ["1h"]
[instruments.GANNET]
adjustments = [{ date = 2024-03-06, ratio = "2:1" }, { date = 2024-03-09, ratio = "3:1" }]
"""


def written(path: Path, first: datetime, hours: int) -> Path:
    """Write a file of hourly bars."""
    path.parent.mkdir()
    rows = [f"{first + timedelta(hours=hour):%Y-%m-%dT%H:%M:%SZ},10,11,9,10,5" for hour in range(hours)]
    path.write_text("\n".join(["time,open,high,low,close,volume", *rows, ""]), encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("days", "until", "ratios"),
    [
        ((1,), None, []),  # its last bar opens an hour before the first split
        ((2, 1), None, [2]),  # only the second file reaches it
        ((2, 4), None, [2, 3]),
        ((2, 4), 5, [2]),
    ],
)
def test_a_recording_is_adjusted_for_the_splits_that_it_reaches(
    tmp_path: Path, days: tuple[int, ...], until: int | None, ratios: list[int]
) -> None:
    (tmp_path / "watch.toml").write_text(CONFIG)
    begins = [FIRST + timedelta(days=sum(days[:number])) for number in range(len(days))]
    files = [
        written(tmp_path / str(number) / "GANNET.csv", begin, 24 * each)
        for number, (begin, each) in enumerate(zip(begins, days, strict=True))
    ]
    closing = None if until is None else round((FIRST + timedelta(days=until)).timestamp()) * 10**9
    reading = Reading(settings=load(tmp_path / "watch.toml", {}), until=closing)
    (recording,) = recordings(files, reading)
    first = next(recording.bars)
    assert len(first) == 24 * days[0]
    inputs = inputs_for(reading, recording, first, Tally("GANNET", ""))
    assert [each.ratio for each in inputs.adjustments] == ratios
    assert sum(map(len, recording.bars)) == 24 * sum(days[1:])
