"""The charts of a study's stories, drawn from the files once more."""

from __future__ import annotations

from shutil import copy
from typing import TYPE_CHECKING

import pytest

from scanner.commands.study_gallery import charts_of
from scanner.present.study.stories import choose
from scanner.recordings import Reading
from scanner.studies.collecting import Asked
from scanner.studies.running import How, study_files
from tests.outside.real_bars import INDEX_TIME_FORMAT, NASDAQ, SHARES, SP500

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
    shown = charts_of(chosen, [SP500, NASDAQ, SHARES], READING, lambda done, total: steps.append((done, total)))
    assert [each.story for each in shown] == list(chosen)
    assert len(chosen) == 8
    assert all(each.chart.startswith(b"\x89PNG\r\n") for each in shown)
    assert len({each.chart for each in shown}) == 8
    assert steps == [(number, 8) for number in range(1, 9)]


def test_without_its_bars_a_story_has_no_chart(real: Study, tmp_path: Path) -> None:
    chosen = choose(real)
    copy(SP500, tmp_path / SP500.name)
    shown = charts_of(chosen, [tmp_path], READING)
    assert {each.story.instrument for each in shown} == {"sp500"}
    assert charts_of(chosen, [NASDAQ], Reading(time_format=INDEX_TIME_FORMAT, timeframes=("1w",))) == []
    assert charts_of((), [tmp_path], READING) == []
