"""The charts of a study's stories, drawn from the files once more."""

from __future__ import annotations

from shutil import copy
from typing import TYPE_CHECKING

import pytest
from pyarrow import parquet

from scanner.commands.study.study_gallery import charts_of
from scanner.present.study.stories import choose
from scanner.replays.recordings import Reading
from scanner.studies.running import How, study_files
from scanner.studies.stories.collecting import Asked
from tests.outside.real_bars import INDEX_TIME_FORMAT, NASDAQ, SHARES, SP500
from tests.studies.test_running import table_of

if TYPE_CHECKING:
    from pathlib import Path

    from scanner.studies.schema import Study

READING = Reading(time_format=INDEX_TIME_FORMAT)
QUICK = Asked(variants=False, draws=0)


@pytest.fixture(scope="module")
def real() -> Study:
    return study_files([SP500, NASDAQ, SHARES], READING, QUICK, How(workers=1))[0]


def test_every_story_has_its_chart_in_the_order_of_the_choice(real: Study) -> None:
    chosen, steps = choose(real), []
    paths = [SP500, NASDAQ, SHARES]
    shown, told = charts_of(chosen, paths, READING, lambda done, total: steps.append((done, total)))
    assert told == ""
    assert [each.story for each in shown] == list(chosen)
    assert len(chosen) == 8
    assert all(each.chart.startswith(b"\x89PNG\r\n") for each in shown)
    assert len({each.chart for each in shown}) == 8
    assert steps == [(number, 8) for number in range(1, 9)]


def test_without_its_bars_a_story_has_no_chart(real: Study, tmp_path: Path) -> None:
    chosen = choose(real)
    copy(SP500, tmp_path / SP500.name)
    shown, told = charts_of(chosen, [tmp_path], READING)
    assert {each.story.instrument for each in shown} == {"sp500"}
    assert told == f"{8 - len(shown)} stories of the report without a chart: their bars are no longer in the files"
    assert charts_of((), [tmp_path], READING) == ([], "")


def test_a_file_that_cannot_be_read_any_more_costs_its_charts_alone(real: Study, tmp_path: Path) -> None:
    copy(SP500, tmp_path / SP500.name)
    damaged = tmp_path / "nasdaq.parquet"
    parquet.write_table(table_of("nasdaq"), damaged)
    content = bytearray(damaged.read_bytes())
    content[20_000:60_000] = bytes(40_000)
    damaged.write_bytes(content)
    shown, told = charts_of(choose(real), [tmp_path], READING)
    assert {each.story.instrument for each in shown} == {"sp500"}
    assert f"stories of the report without a chart: {damaged}: the Parquet file is damaged" in told
