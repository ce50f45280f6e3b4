"""Quiet hours by local time, and what may break them."""

from __future__ import annotations

from datetime import UTC, datetime, time
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from scanner.configuration.model.tables import Quiet
from scanner.delivery.quiet import cannot_wait, last_quiet_end, quiet_until
from tests.adapters.samples import setup_event, station_event, withdrawn_event

ZONES = ("UTC", "America/New_York", "Europe/Berlin", "Asia/Kathmandu", "Australia/Lord_Howe")
NIGHT = Quiet(start=time(22), end=time(7), zone="Europe/Berlin")
NOON = Quiet(start=time(12), end=time(13, 30), zone="Asia/Kathmandu")


def at(text: str, zone: str = "UTC") -> int:
    return int(datetime.fromisoformat(text).replace(tzinfo=ZoneInfo(zone)).timestamp()) * 1_000_000_000


@pytest.mark.parametrize(
    ("quiet", "now", "until"),
    [
        (NIGHT, "2026-03-02T21:59:59", None),
        (NIGHT, "2026-03-02T22:00:00", "2026-03-03T07:00:00"),
        (NIGHT, "2026-03-03T00:30:00", "2026-03-03T07:00:00"),
        (NIGHT, "2026-03-03T06:59:59", "2026-03-03T07:00:00"),
        (NIGHT, "2026-03-03T07:00:00", None),
        (NOON, "2026-03-02T12:45:00", "2026-03-02T13:30:00"),
        (NOON, "2026-03-02T00:45:00", None),
        (NIGHT, "2026-03-28T23:00:00", "2026-03-29T07:00:00"),  # the night in which the clocks go forward
        (NIGHT, "2026-10-24T23:00:00", "2026-10-25T07:00:00"),  # and back
    ],
)
def test_the_end_of_quiet_hours(quiet: Quiet, now: str, until: str | None) -> None:
    expected = None if until is None else at(until, quiet.zone)
    assert quiet_until(quiet, at(now, quiet.zone)) == expected


def test_a_night_is_shorter_or_longer_where_the_clocks_change() -> None:
    hours = 3_600 * 1_000_000_000
    for evening, length in (("2026-03-02", 9), ("2026-03-28", 8), ("2026-10-24", 10)):
        start = at(f"{evening}T22:00:00", NIGHT.zone)
        assert (quiet_until(NIGHT, start) or 0) - start == length * hours


@given(
    start=st.times(),
    end=st.times(),
    zone=st.sampled_from(ZONES),
    now=st.integers(1_700_000_000, 1_900_000_000).map(lambda seconds: seconds * 1_000_000_000),
)
def test_quiet_hours_hold_exactly_between_their_two_times(start: time, end: time, zone: str, now: int) -> None:
    start, end = start.replace(second=0, microsecond=0), end.replace(second=0, microsecond=0)
    if start == end:
        return
    quiet = Quiet(start=start, end=end, zone=zone)
    local = datetime.fromtimestamp(now // 1_000_000_000, UTC).astimezone(ZoneInfo(zone))
    wall = local.time()
    inside = start <= wall < end if start < end else not end <= wall < start
    until, over = quiet_until(quiet, now), last_quiet_end(quiet, now)
    assert over <= now
    if until is not None:
        assert now < until
        assert quiet_until(quiet, until - 1) == until
    if not clocks_change_near(local):
        assert quiet_until(quiet, over - 1) == over
        assert (until is not None) == inside


def clocks_change_near(local: datetime) -> bool:
    zone = local.tzinfo
    seconds = int(local.timestamp())
    offsets = {datetime.fromtimestamp(seconds + half_days * 43_200, zone).utcoffset() for half_days in range(-4, 5)}
    return len(offsets) > 1


def test_what_follows_on_a_setup_cannot_wait() -> None:
    setup = setup_event()
    assert cannot_wait(withdrawn_event(setup))
    assert not cannot_wait(setup)
    assert not cannot_wait(station_event())


def test_quiet_hours_without_an_end_are_refused() -> None:
    with pytest.raises(ValidationError, match="would hold everything back"):
        Quiet(start=time(8), end=time(8), zone="UTC")
