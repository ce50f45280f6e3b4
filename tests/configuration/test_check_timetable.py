"""What a check tells of a configuration that can be used: when bars close next, and how much history is needed."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from scanner.commands.station import check as command
from scanner.configuration.closings import next_closes
from scanner.configuration.history_needed import histories
from scanner.configuration.model.settings import from_document, load
from scanner.market.sessions.timetables import Timetable
from tests.configuration.examples import EXAMPLE, SECRETS


def at(text: str) -> int:
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()) * 1_000_000_000


def test_the_timetable_in_both_times(capsys: pytest.CaptureFixture[str]) -> None:
    # NYSE's published holidays for 2026 (from memory; confirmed with exchange_calendars): closed on 26 November, and
    # 27 November ends at 13:00 New York. Wednesday's last bar has just closed. Two bars more than needed are asked for:
    # 252 of 1h are 36 sessions of 7, of which November has had 18.
    assert command.run(EXAMPLE, SECRETS, at("2026-11-25T21:00"), connect=False) == 0
    assert (
        capsys.readouterr().out
        == f"""\
{EXAMPLE} can be used.

group       calendar  timeframe  series  next bar close
currencies  24/5      15m             1  Wed 25 Nov 2026 22:15 Berlin (16:15 New York)
currencies  24/5      4h              1  Wed 25 Nov 2026 23:00 Berlin (17:00 New York)
futures     24/5      15m             1  Wed 25 Nov 2026 22:15 Berlin (16:15 New York)
futures     24/5      1h              1  Wed 25 Nov 2026 23:00 Berlin (17:00 New York)
shares      XNYS      1h              2  Fri 27 Nov 2026 16:30 Berlin (10:30 New York)
shares      XNYS      1d              2  Fri 27 Nov 2026 19:00 Berlin (13:00 New York)

8 series of 4 instruments would be watched.

Before it reports a setup, a series needs:

group       calendar  timeframe  bars       made of  asked from
currencies  24/5      15m         250                Mon 23 Nov 2026
currencies  24/5      4h          250  4,000 of 15m  Mon 28 Sep 2026
futures     24/5      15m         250                Mon 23 Nov 2026
futures     24/5      1h          250  1,000 of 15m  Wed 11 Nov 2026
shares      XNYS      1h          250    928 of 15m  Wed 7 Oct 2026
shares      XNYS      1d          250  6,476 of 15m  Tue 25 Nov 2025

No study is kept, and alerts say so; `closewatch study FILE… --config CONFIG.toml --keep` keeps one.
"""
    )


def test_the_timetable_follows_both_clocks_into_summer() -> None:
    settings = load(EXAMPLE, SECRETS)

    def daily_close(now: str) -> int:
        (time,) = (each.time for each in next_closes(settings, at(now)) if each.timeframe.name == "1d")
        return time

    # As above: Friday 6 March closes at 21:00 UTC, Monday 9 March, in summer time, at 20:00 UTC.
    assert daily_close("2026-03-06T20:59") == at("2026-03-06T21:00")
    assert daily_close("2026-03-06T21:00") == at("2026-03-09T20:00")


@pytest.mark.parametrize(
    ("user", "calendar", "now", "told"),
    [
        # New York goes over to summer time on 8 March 2026 and back on 1 November, Berlin on 29 March and 25 October.
        ("Europe/Berlin", "XNYS", "2026-03-06T20:45", "Fri 6 Mar 2026 22:00 Berlin (16:00 New York)"),
        ("Europe/Berlin", "XNYS", "2026-03-06T21:00", "Mon 9 Mar 2026 14:45 Berlin (09:45 New York)"),
        ("Europe/Berlin", "XNYS", "2026-03-27T20:00", "Mon 30 Mar 2026 15:45 Berlin (09:45 New York)"),
        ("Europe/Berlin", "XNYS", "2026-10-23T20:00", "Mon 26 Oct 2026 14:45 Berlin (09:45 New York)"),
        ("Europe/Berlin", "XNYS", "2026-10-30T20:00", "Mon 2 Nov 2026 15:45 Berlin (09:45 New York)"),
        ("UTC", "24/5", "2026-03-06T22:00", "Sun 8 Mar 2026 21:15 UTC (17:15 New York)"),
        ("Australia/Sydney", "24/5", "2026-10-30T21:00", "Mon 2 Nov 2026 09:15 Sydney (Sun 1 Nov 17:15 New York)"),
        ("Europe/Berlin", "24/7", "2026-10-25T00:20", "Sun 25 Oct 2026 02:30 Berlin (00:30 UTC)"),
        ("Europe/Berlin", "24/7", "2026-10-25T01:20", "Sun 25 Oct 2026 02:30 Berlin (01:30 UTC)"),
    ],
)
def test_the_timetable_is_printed_over_a_change_of_either_clock(user: str, calendar: str, now: str, told: str) -> None:
    instrument = {"feed": "files", "step": "1", "calendar": calendar, "timeframes": ["15m"]}
    document = {
        "station": {"zone": user},
        "feeds": {"files": {"type": "folder", "path": "."}},
        "instruments": {"A": instrument},
    }
    rows = command.timetable(from_document(document, Path(), {}), at(now))
    assert rows[1].endswith(f"  {told}")


def test_history_is_counted_in_bars_of_the_base_by_the_sessions() -> None:
    groups = {
        "shares": {"calendar": "XNYS", "timeframes": ["15m", "1h", "1d"], "base": "15m"},
        "unknown": {"calendar": "none", "timeframes": ["1h"], "base": "1m", "rules": {"warm_up": 300}},
        "coins": {"calendar": "24/7", "timeframes": ["1h"]},
    }
    document = {
        "feeds": {"files": {"type": "folder", "path": "."}},
        "defaults": {"feed": "files", "step": "1"},
        "groups": groups,
        "instruments": {group: {"group": group} for group in groups},
    }
    found = histories(from_document(document, Path(), {}), at("2026-11-25T21:00"))
    assert [(each.group, each.timeframe.name, each.bars, each.base.name, each.base_bars) for each in found] == [
        ("coins", "1h", 250, "1h", 250),
        ("shares", "15m", 250, "15m", 250),
        # 35 sessions of 7 bars, the last of each half an hour, and 5 bars of the session before: 35 times 26, and 18.
        ("shares", "1h", 250, "15m", 928),
        # 250 sessions of 26, but for two that ended at 13:00, after 14: 28 November and 24 December 2025.
        ("shares", "1d", 250, "15m", 250 * 26 - 2 * 12),
        ("unknown", "1h", 300, "1m", 18_000),
    ]
    for each in found:
        opens, _ = Timetable(each.calendar, each.timeframe).closes_between(each.since, at("2026-11-25T21:00"))
        assert len(opens) >= each.bars
