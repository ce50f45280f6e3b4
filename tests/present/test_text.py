"""Text from outside, made safe to show."""

from __future__ import annotations

import doctest
import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scanner.market import digits
from scanner.present.glance import folded
from scanner.wording import text, words
from scanner.wording.text import plain
from scanner.wording.times import bar_time
from scanner.wording.words import number, sentence

ANY_TEXT = st.text(st.characters(exclude_categories=()))
"""Every code point, with half surrogate pairs."""


@given(ANY_TEXT, st.integers(1, 60))
def test_nothing_hidden_is_left_and_the_limit_holds(any_text: str, limit: int) -> None:
    shown = plain(any_text, limit)
    assert len(shown) <= limit
    assert not [one for one in shown if unicodedata.category(one)[0] == "C"]
    assert len(shown.splitlines()) <= 1
    shown.encode()


@given(st.text(st.characters(categories=("L", "N", "P", "S", "M", "Zs"))))
def test_visible_text_is_left_as_it_is(visible: str) -> None:
    assert plain(visible, max(1, len(visible))) == visible


def test_what_would_turn_or_colour_the_line_is_shown_by_its_number() -> None:
    assert plain("\x1b[31mred", 40) == "<001B>[31mred"
    assert plain("\x9b31mred", 40) == "<009B>31mred"
    assert plain("abc\u202ecba\u2066", 40) == "abc<202E>cba<2066>"
    assert plain("one\u2028two\r\nthree\0", 60) == "one<2028>two<000D><000A>three<0000>"
    assert plain("☃ [bold]&<b>", 40) == "☃ [bold]&<b>"


def test_the_examples_in_the_docstrings_are_true() -> None:
    assert [tuple(doctest.testmod(each)) for each in (text, words, digits, folded)] == [
        (0, 2),
        (0, 11),
        (0, 2),
        (0, 3),
    ]


def test_a_long_text_is_cut_with_an_ellipsis() -> None:
    assert plain("x" * 10_000, 10) == "x" * 9 + "…"


@pytest.mark.parametrize(
    "reason",
    [
        "http://127.0.0.1:8080/A: cannot be reached",
        "bars/A_1h.csv: there is no such file",
        "dam.db is damaged",
        "feeds.web.url is not there",
        "patience: must be above 0",
        '"quoted" is no price',
        "'quoted' too",
        "eth0 went down",
        "closewatch.db",
        "at_once is too high",
        "iPhone is off",
        "/srv is full",
    ],
)
def test_a_sentence_leaves_addresses_paths_and_names_as_they_are(reason: str) -> None:
    assert sentence(reason) == f"{reason}."


def test_a_sentence_of_words_begins_with_a_capital() -> None:
    assert sentence("the disk is full") == "The disk is full."
    assert sentence("don't") == "Don't."
    assert sentence("yes, but no!") == "Yes, but no!"
    assert sentence("") == ""


@given(st.floats(allow_nan=False, allow_infinity=False, min_value=-1e12, max_value=1e12))
def test_a_measured_value_has_four_digits_and_no_exponent(value: float) -> None:
    shown = number(value)
    assert set(shown) <= set("-.0123456789")
    assert float(shown) == float(f"{value:.4g}")
    if value == 0 or 1e-4 <= abs(value) < 9_999:
        assert shown == f"{value:.4g}"


def test_a_day_is_named_by_its_middle_and_a_week_by_its_beginning() -> None:
    sunday_evening, hour = 1_710_108_000, 3_600  # 2024-03-10 22:00 UTC, when Monday's session opens
    for hours, timeframe, name in ((24, "1d", "2024-03-11"), (5 * 24, "1w", "2024-03-10")):
        ends = sunday_evening + hours * hour
        assert bar_time(sunday_evening * 10**9, ends * 10**9, "UTC", timeframe) == name
    assert bar_time(0, sunday_evening * 10**9, "America/New_York", "1h") == "2024-03-10 18:00"
