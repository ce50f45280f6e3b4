"""How long a server asks us to wait: whatever it writes, a number of seconds or nothing."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.retry_after import retry_after

NOW = 1_772_467_205.75
"""2026-03-02T16:00:05.75Z."""
NUMBER = st.from_regex(r"-?[0-9]{1,25}", fullmatch=True)


@pytest.mark.parametrize(
    ("header", "seconds"),
    [
        ("0", 0),
        (" 7 ", 7),
        ("Mon, 02 Mar 2026 16:01:05 GMT", 59.25),
        ("Monday, 02-Mar-26 16:01:05 GMT", 59.25),
        ("Mon, 02 Mar 2026 15:00:00 GMT", 0),
        ("Mon, 02 Mar 99999999999999999999 16:01:05 GMT", None),
        ("9" * 400, None),
        ("soon", None),
        ("-5", None),
        ("1e9", None),
        ("\u0667", None),
        ("", None),
        (None, None),
    ],
)
def test_it_is_a_number_of_seconds_or_a_date(header: str | None, seconds: float | None) -> None:
    assert retry_after(header, NOW) == seconds


@given(st.builds("Mon, {} Mar {} {}:{}:{} {}".format, NUMBER, NUMBER, NUMBER, NUMBER, NUMBER, NUMBER) | st.text())
def test_whatever_a_server_writes_breaks_nothing(header: str) -> None:
    found = retry_after(header, NOW)
    assert found is None or found >= 0
