"""The numbers of the rules, as read by compiled code and by the store of bars."""

from __future__ import annotations

import pytest
from pydantic import ValidationError

from scanner.analysis.rules import RULES, STRICT, Rules


def test_the_record_holds_every_number_and_the_place_of_every_choice() -> None:
    record = Rules(entry_style="break").record[0]
    for name, value in Rules():
        assert isinstance(value, str) or record[name] == value
    assert (record["entry_style"], record["place_quality"]) == (1, STRICT)
    assert Rules(place_quality="plain").record[0]["place_quality"] == 1 - STRICT
    assert set(RULES.names or ()) == set(Rules.model_fields)


@pytest.mark.parametrize(
    ("numbers", "history", "looks_back"),
    [
        ({}, 257, 29),  # a swing point of strength 6, 250 bars back
        ({"obstacle_span": 100}, 230, 29),  # the slow average of the bar 29 before
        ({"average_away_bars": 120}, 330, 129),
        ({"average_rise": 90}, 291, 90),
        ({"volume_length": 100}, 300, 99),
        ({"volatility_length": 300}, 301, 29),
        ({"turn_window": 400}, 401, 29),
        ({"plain_turn_window": 400}, 401, 29),
        ({"place_span": 500}, 504, 29),
    ],
)
def test_enough_bars_are_kept_for_all_that_looks_back(numbers: dict[str, int], history: int, looks_back: int) -> None:
    rules = Rules.model_validate(numbers)
    assert (rules.history, rules.looks_back) == (history, looks_back)


@pytest.mark.parametrize(
    ("numbers", "problem"),
    [
        ({"obstacle_strength": 2}, r"swing_strength \(3\) must not exceed obstacle_strength \(2\)"),
        ({"atr_length": 248}, r"warm_up \(250\) must be at least 251, when the last indicator is ready"),
        ({"exponential_average": 251}, r"warm_up \(250\) must be at least 251, when the last indicator is ready"),
        ({"line_slope_min": 0.4}, r"line_slope_min \(0.4\) must not exceed line_slope_max \(0.35\)"),
    ],
)
def test_numbers_that_contradict_each_other_are_refused(numbers: dict[str, float], problem: str) -> None:
    with pytest.raises(ValidationError, match=problem):
        Rules.model_validate(numbers)
