"""The file of dates: what is understood, and what is reported of the rest."""

from __future__ import annotations

import os
from datetime import date, datetime
from typing import TYPE_CHECKING, ClassVar
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scanner.configuration.model.settings import dates_in
from scanner.market.sessions.dates import Dated, Dates, concerning_nobody, parsed

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

HOUR = 3_600 * 10**9
GOOD = """\
time,instrument,what
2026-06-12,HARBOUR,half-year report
2026-06-17T14:00,shares,"rates, and a speech"
2026-06-18T10:00+00:00,ALL,figures
"""


def at(text: str, zone: str = "UTC") -> int:
    return int(datetime.fromisoformat(text).replace(tzinfo=ZoneInfo(zone)).timestamp()) * 10**9


def test_days_last_from_midnight_to_midnight_and_moments_no_time() -> None:
    dates = parsed(GOOD, "Europe/Berlin")
    assert dates.troubles == ()
    midnight = at("2026-06-12", "Europe/Berlin")
    rates, figures = at("2026-06-17T12:00"), at("2026-06-18T10:00")
    assert dates.found == (
        Dated(midnight, midnight + 24 * HOUR, "HARBOUR", "half-year report", date(2026, 6, 12)),
        Dated(rates, rates, "shares", "rates, and a speech", date(2026, 6, 17)),
        Dated(figures, figures, "all", "figures", date(2026, 6, 18)),
    )


def test_a_day_on_which_the_clocks_change_has_23_hours() -> None:
    (day,) = parsed("time,instrument,what\n2026-03-29,A,x", "Europe/Berlin").found or ()
    assert day.end - day.begin == 23 * HOUR


def test_a_date_concerns_an_instrument_by_name_by_group_or_by_all() -> None:
    dates = parsed(GOOD, "UTC")

    def about(instrument: str, group: str) -> list[str]:
        return [each.what for each in dates.of(instrument, group) or ()]

    assert about("HARBOUR", "shares") == ["half-year report", "rates, and a speech", "figures"]
    assert about("MILL", "shares") == ["rates, and a speech", "figures"]
    assert about("MILL", "") == ["figures"]
    assert Dates().of("MILL", "") is None
    assert concerning_nobody(dates.found or (), ["MILL", "shares"]) == ["HARBOUR"]


class Counting(tuple[Dated, ...]):
    """Dates that count how often somebody goes through all of them."""

    __slots__ = ()
    times: ClassVar[int] = 0

    def __iter__(self) -> Iterator[Dated]:
        """Go through them."""
        Counting.times += 1
        return super().__iter__()


def test_a_long_list_of_instruments_does_not_go_through_all_dates_for_each() -> None:
    dates = Dates(Counting(parsed(GOOD, "UTC").found or ()))
    assert [len(dates.of(name, "shares") or ()) for name in ("HARBOUR", "MILL", "BUOY")] == [3, 2, 2]
    assert Counting.times == 1


def test_how_far_a_date_is_away() -> None:
    day = Dated(10, 20, "all", "x", date(1970, 1, 1))
    assert [day.away(moment) for moment in (7, 10, 15, 20, 24)] == [3, 0, 0, 0, 4]


def test_columns_come_in_any_order_and_case_among_others() -> None:
    text = "What, note ,INSTRUMENT,Time\nreport, ,A, 2026-06-12\n\n , ,,\n"
    dates = parsed(text, "UTC")
    assert [(each.whom, each.what) for each in dates.found or ()] == [("A", "report")]
    assert dates.troubles == ()


@pytest.mark.parametrize(
    ("row", "told"),
    [
        (
            "12.06.2026,A,x",
            'line 3 has the time "12.06.2026"; write a day as 2026-06-12, or a moment as 2026-06-12T14:30',
        ),
        ("2026-02-30,A,x", 'line 3 has the time "2026-02-30"; write a day'),
        ("9999-12-31,A,x", 'line 3 has the time "9999-12-31", which lies outside the years 1900 to 2200'),
        (",A,x", "line 3 has no time; it is left out"),
        ("2026-06-12,,x", "line 3 has no instrument; it is left out"),
        ("2026-06-12,A,", "line 3 has no what; it is left out"),
        ("2026-06-12,A", "line 3 has 2 cells, not 3; quote a text that has commas; it is left out"),
        ("2026-06-12,A,rates, a speech", "line 3 has 4 cells, not 3; quote a text that has commas"),
    ],
)
def test_a_bad_row_is_named_and_the_others_count(row: str, told: str) -> None:
    text = f"time,instrument,what\n2026-06-11,A,before\n{row}\n2026-06-13,A,after\n"
    dates = parsed(text, "UTC")
    assert [each.what for each in dates.found or ()] == ["before", "after"]
    (trouble,) = dates.troubles
    assert trouble.startswith(told)


def test_a_quote_that_never_ends_swallows_nothing_silently() -> None:
    dates = parsed('time,instrument,what\n2026-06-11,A,before\n2026-06-12,A,"report\n2026-06-13,A,after\n', "UTC")
    assert [each.what for each in dates.found or ()] == ["before"]
    assert dates.troubles == ("line 4 is not CSV (unexpected end of data); it and all that follows are left out",)


@pytest.mark.parametrize(
    "text", ["", "\n", "2026-06-12,A,x\n", "time;instrument;what\n", "time,time,instrument,what\n"]
)
def test_without_its_columns_nothing_is_known(text: str) -> None:
    dates = parsed(text, "UTC")
    assert dates.found is None
    assert dates.troubles == ("the first line must name the columns time, instrument, what; no dates are known",)


def test_a_file_that_cannot_be_read_is_reported_and_nothing_is_known(tmp_path: Path) -> None:
    path = tmp_path / "dates.csv"
    assert dates_in(path, "UTC") == Dates(
        troubles=(f"{path} cannot be read (No such file or directory); no dates are known",)
    )
    assert "cannot be read (it is not a regular file)" in dates_in(tmp_path, "UTC").troubles[0]
    os.mkfifo(tmp_path / "pipe")  # which nobody ever writes to
    assert "cannot be read (it is not a regular file)" in dates_in(tmp_path / "pipe", "UTC").troubles[0]
    path.write_bytes(GOOD.encode("utf-16"))
    assert dates_in(path, "UTC") == Dates(troubles=(f"{path} is not UTF-8; no dates are known",))
    path.write_bytes(b"\xef\xbb\xbf" + GOOD.replace("\n", "\r\n").encode() + b"x,A,x\r\n")
    dates = dates_in(path, "UTC")
    assert len(dates.found or ()) == 3
    assert dates.troubles[0].startswith(f'{path}: line 5 has the time "x"')


def test_dates_that_have_all_passed_are_old() -> None:
    dates = parsed(GOOD, "UTC")
    assert dates.past(at("2026-06-18T09:59")) is None
    assert dates.past(at("2026-06-18T10:00")) == date(2026, 6, 18)
    day = parsed("time,instrument,what\n2026-06-12,A,x", "UTC")
    assert day.past(at("2026-06-12T23:59")) is None
    assert day.past(at("2026-06-13")) == date(2026, 6, 12)
    assert Dates().past(at("2026-06-13")) is None


@given(st.text(max_size=60), st.text(alphabet='0123456789-T:+",\n\0 A', max_size=60))
def test_no_text_at_all_ends_in_an_error(header: str, rest: str) -> None:
    parsed(header, "UTC")
    dates = parsed(f"time,instrument,what\n{rest}", "UTC")
    assert all(each.begin <= each.end for each in dates.found or ())
