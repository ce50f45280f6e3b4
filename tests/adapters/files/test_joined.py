"""One instrument in several files is one series, as if its bars stood in one."""

from __future__ import annotations

import re
from itertools import chain
from typing import TYPE_CHECKING

import numpy as np
import pytest

from adapters.feeds.files.opening import recordings
from adapters.feeds.files.trouble import ReadingOptions, UnreadableFileError

if TYPE_CHECKING:
    from pathlib import Path

HEADER = "time,open,high,low,close,volume\n"
START, MINUTE = 1_700_000_040, 60


def write(path: Path, first: int, count: int, step: int = MINUTE) -> None:
    path.parent.mkdir(exist_ok=True)
    rows = [
        f"{START + step * number},{number},{number + 1},{number},{number},7\n" for number in range(first, first + count)
    ]
    path.write_text(HEADER + "".join(rows))


def stamps(*paths: Path) -> dict[str, list[int]]:
    found = recordings(paths, ReadingOptions())
    return {
        each.symbol: ((np.concatenate([raw.stamp for raw in each.bars]) // 1_000_000_000 - START) // MINUTE).tolist()
        for each in found
    }


def test_a_file_a_year_is_one_series_whatever_order_they_are_named_in(tmp_path: Path) -> None:
    for year, first in (("2003", 0), ("2001", 40), ("2002", 20)):
        write(tmp_path / year / "TERN.csv", first, 20)
    write(tmp_path / "2001" / "GULL.csv", 3, 5)
    found = stamps(*(tmp_path / year for year in ("2001", "2002", "2003")))
    assert found == {"GULL": [3, 4, 5, 6, 7], "TERN": list(range(60))}


def test_instruments_named_by_a_column_are_joined_too(tmp_path: Path) -> None:
    for name, first in (("b", 20), ("a", 0)):
        rows = [f"{START + MINUTE * number},TERN,1,2,1,2\n" for number in range(first, first + 20)]
        (tmp_path / f"{name}.csv").write_text("time,symbol,open,high,low,close\n" + "".join(rows))
    assert stamps(tmp_path / "b.csv", tmp_path / "a.csv") == {"TERN": list(range(40))}


def test_what_overlaps_is_left_to_the_guard(tmp_path: Path) -> None:
    write(tmp_path / "one" / "TERN.csv", 0, 20)
    write(tmp_path / "two" / "TERN.csv", 15, 20)
    assert stamps(tmp_path / "two", tmp_path / "one") == {"TERN": [*range(20), *range(15, 35)]}


def test_bars_of_two_timeframes_are_not_a_series(tmp_path: Path) -> None:
    write(tmp_path / "one" / "TERN.csv", 0, 20)
    write(tmp_path / "two" / "TERN.csv", 20, 20, step=15 * MINUTE)
    write(tmp_path / "two" / "WREN.csv", 20, 20)
    paths = [tmp_path / "one", tmp_path / "two"]
    told = r"both hold TERN, but in one its bars are 1m and in the other 15m"
    with pytest.raises(UnreadableFileError, match=told):
        list(chain.from_iterable(each.bars for each in recordings(paths, ReadingOptions())))
    troubles: list[str] = []
    assert [each.symbol for each in recordings(paths, ReadingOptions(), on_trouble=troubles.append)] == ["WREN"]
    assert len(troubles) == 1
    assert re.search(told, troubles[0])
