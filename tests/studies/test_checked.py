"""Rows refused and noted in the files of a study: counted by file, and told in one sentence."""

from __future__ import annotations

import doctest
import re
from typing import TYPE_CHECKING

from hypothesis import given
from hypothesis import strategies as st

from scanner.studies import checked
from scanner.studies.checked import CheckedRows, by_file, summed, told
from tests.adapters.samples import HOSTILE_NAMES

if TYPE_CHECKING:
    from random import Random

REASONS = st.dictionaries(st.sampled_from(("not ended", "no trade", "missing bars")), st.integers(1, 9))
COUNTS = st.lists(st.builds(CheckedRows, st.sampled_from("abcde"), st.integers(0, 99), REASONS, REASONS))


@given(COUNTS, st.randoms())
def test_the_order_changes_nothing_and_no_row_is_lost(counts: list[CheckedRows], chance: Random) -> None:
    found = by_file(counts)
    assert [each.file for each in found] == sorted({each.file for each in counts})
    assert summed("", found) == summed("", counts)
    shuffled = by_file(chance.sample(counts, len(counts)))
    assert (shuffled, told(shuffled)) == (found, told(found))


@given(COUNTS)
def test_the_sentence_has_every_refused_and_noted_row(counts: list[CheckedRows]) -> None:
    found = by_file(counts)
    every, (head, _, files) = summed("", found), told(found).partition(": ")
    for what, reasons in (("refused", every.refused), ("noted", every.noted)):
        amounts = [int(amount.replace(",", "")) for amount in re.findall(rf"([\d,]+) {what}", files)]
        assert sum(amounts) == sum(reasons.values())
        assert re.findall(rf"([\d,]+) {what}", head) == ([f"{sum(amounts):,}"] if amounts else [])
    assert files.count(";") <= 3
    assert bool(files) == bool(every.refused or every.noted)


def test_the_worst_files_are_named_and_the_others_counted() -> None:
    counts = [CheckedRows(f"{number}.csv", 1_000, {"not ended": number}, {}) for number in range(1, 6)]
    assert told(counts) == (
        "5,000 rows read, 15 refused (15 not ended): 5.csv 5 refused; 4.csv 4 refused; 3.csv 3 refused; "
        "2 more files 3 refused"
    )


def test_no_name_of_a_file_breaks_the_line() -> None:
    for name in HOSTILE_NAMES.values():
        line = told([CheckedRows(name, 9, {"not ended": 1}, {})])
        assert len(line) < 150
        assert line.isprintable() or "\u200e" in line


def test_the_examples_are_true() -> None:
    assert tuple(doctest.testmod(checked)) == (0, 3)
