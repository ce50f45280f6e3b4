"""Suspected bad ticks as a user of the commands meets them: noted, explained, or refused where that is wanted."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.commands.typed import closewatch
from tests.laws import bars_of
from tests.outside.setup_tapes import tape_of_setups
from tests.outside.spiked_tapes import spiked

if TYPE_CHECKING:
    from pathlib import Path

SEED = 28
BARS = bars_of(spiked(tape_of_setups(SEED), SEED), 1_700_000_100 * 10**9 // 900_000_000_000 * 900_000_000_000)
SUSPECTED = "bar of 2023-11-17T20:00:00Z is a suspected bad tick: its open 2462.62 and close 2460.06 lie 10.0 ATR below"


@pytest.fixture
def gulls(tmp_path: Path) -> Path:
    path = tmp_path / "gulls.csv"
    times = BARS.open_time.astype("datetime64[ns]").astype("datetime64[s]").astype(str)
    prices = zip(times.tolist(), *(column.tolist() for column in BARS.columns()[2:6]), strict=True)
    lines = [f"{time}Z,{','.join(map(repr, row))}" for time, *row in prices]
    path.write_text("time,open,high,low,close\n" + "\n".join(lines) + "\n", encoding="utf-8")
    return path


@pytest.fixture
def dropping(tmp_path: Path) -> Path:
    path = tmp_path / "dropping.toml"
    path.write_text("[rules]\ndrop_spikes = true\n", encoding="utf-8")
    return path


def test_a_replay_notes_them_with_their_rows_and_says_what_they_touch(gulls: Path) -> None:
    done = closewatch("replay", gulls, "--step", "0.01")
    assert f"{gulls}, row 281: the 15m {SUSPECTED}" in done.err
    assert "noted         3 (3 suspected bad tick)" in done.out
    assert "refused       0" in done.out


def test_where_it_is_wanted_the_rows_are_refused(gulls: Path, dropping: Path) -> None:
    done = closewatch("replay", gulls, "--step", "0.01", "--config", dropping)
    assert f"{gulls}, row 281: it looks like a bad tick and is left out: its open 2462.62 and close" in done.err
    assert "refused       3 (3 bad tick)" in done.out
    assert "noted         0" in done.out


def test_explain_tells_of_the_bar_and_of_its_day(gulls: Path, dropping: Path) -> None:
    one = closewatch("explain", gulls, "--at", "2023-11-17T20:15")
    said = "The bar of 2023-11-17 20:15 is a suspected bad tick: its open 2462.62 and close 2460.06 lie 10.0 ATR below"
    assert said in one.out
    assert said in closewatch("explain", gulls, "--at", "2023-11-17").out
    assert "suspected" not in closewatch("explain", gulls, "--at", "2023-11-17T20:00").out
    assert "suspected" not in closewatch("explain", gulls, "--at", "2023-11-17", "--config", dropping).out
