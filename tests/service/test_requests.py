"""What a feed answers is looked at before compiled code reads it, since that does not look at lengths or types."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from scanner.ports import Answer, FeedTroubleError, Want
from scanner.service.intake.requests import fitting
from tests.service.harbour import START, opened

WANT = Want("GANNET", "1m", None)
BARS = opened(START)


def with_(**columns: Any) -> list[Answer]:  # noqa: ANN401 - what an adapter gives may be of any type
    return [Answer(WANT, replace(BARS, **columns))]


def test_answers_of_the_right_shape_are_given_on() -> None:
    answers = [Answer(WANT, BARS), Answer(WANT, BARS, slice(0, 1))]
    assert fitting(answers, {WANT}) is answers


@pytest.mark.parametrize(
    ("answers", "told"),
    [
        (None, "gave a NoneType instead of a list of Answers"),
        ([BARS], "gave a RawBars instead of an Answer"),
        ([Answer(WANT, None)], "gave a NoneType instead of RawBars"),  # type: ignore[arg-type] # wrong on purpose
        (
            [Answer(WANT._replace(symbol="PUFFIN"), BARS)],
            f"answered a want that it was not asked, {WANT._replace(symbol='PUFFIN')}",
        ),
        (with_(close=np.ones(2)), "gave 2 values of close, but 1 of stamp"),
        (with_(low=np.ones((1, 1))), "gave low with 2 dimensions instead of one"),
        (with_(high=np.ones(1, np.float32)), "gave high as float32 instead of float64"),
        (with_(stamp=np.ones(1)), "gave stamp as float64 instead of int64"),
        (with_(volume=None), "gave volume as a NoneType instead of an array of float64"),
        (with_(open=[1.0]), "gave open as a list instead of an array of float64"),
        (with_(stamp_kind="middle"), "gave the stamp_kind 'middle'; there is open, close, date"),
    ],
)
def test_any_other_is_a_sentence(answers: Any, told: str) -> None:  # noqa: ANN401 - as above
    with pytest.raises(FeedTroubleError) as problem:
        fitting(answers, {WANT})
    assert str(problem.value) == f"its adapter {told}"
