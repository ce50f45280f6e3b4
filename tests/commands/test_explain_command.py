"""``closewatch explain``: its first sentence, the bars of a day, and what a station did with a setup."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from scanner.commands.recorded import explain
from scanner.commands.recorded.one_bar import Recorded
from scanner.commands.trouble import UsageError
from scanner.configuration.model import settings
from scanner.present.glance.acting import sized
from scanner.replays.recordings import Reading
from scanner.store import Batch, Said, Store
from scanner.wording.cautions import SHORT
from tests.adapters.samples import BAR_CLOSE, QUARTER_HOUR, setup_event
from tests.demo_setups import FOLDER

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from scanner.events import Event

WHELKCHIT = [FOLDER / "WHELKCHIT.parquet"]
HOUR = 3_600 * 10**9
SETUP_BAR = "2024-12-31T06:00"
STATION = '[station]\nstore = "kept.db"\n[setups.hammer]\n[surroundings]\nrequire = []\n'


@pytest.fixture
def explained(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> Callable[[str], list[str]]:
    path = tmp_path / "station.toml"
    path.write_text(STATION)
    known = settings.load(path)
    reading = Reading(timeframes=("1h",), settings=known, rulebook=known.rulebook_of())

    def run(at: str) -> list[str]:
        explain.run(WHELKCHIT, reading, at, None)
        return capsys.readouterr().out.splitlines()

    return run


def setup_at(folder: Path, at: str) -> Event:
    known = settings.load(folder / "station.toml")
    reading = Reading(timeframes=("1h",), settings=known, rulebook=known.rulebook_of(), account=known.account)
    asked = Recorded.read(WHELKCHIT, reading, at, None).at(at, reading.tz)
    return next(event for event in asked.said if event.time == asked.bars.close_time[asked.index])


def test_it_opens_with_one_sentence_and_shows_no_inner_number(explained: Callable[[str], list[str]]) -> None:
    first = "WHELKCHIT 1h, {} (UTC): {}"
    assert explained(SETUP_BAR)[0] == first.format("2024-12-31 06:00", "a long hammer qualified at a moving average.")
    none = explained("2024-12-31T17:00")
    assert re.fullmatch(
        re.escape(first.format("2024-12-31 17:00", "no setup. The nearest was a "))
        + r"(long|short) (doji pause|hammer), which missed \d+ of \d+ rules: [a-z_, ]+\.",
        none[0],
    )
    early = explained("2023-01-03T06:00")
    warm_up = "nothing is reported (30 of the 250 bars of the warm-up have closed)."
    assert early[0] == first.format("2023-01-03 06:00", warm_up)
    assert not re.search(r"\d{8}|e\+", "\n".join(early[7:]))
    assert none[-1] == early[-1] == SHORT


def test_a_timeframe_that_is_named_is_judged_by_the_coarser_ones_that_are_followed(
    capsys: pytest.CaptureFixture[str],
) -> None:
    known = settings.load(FOLDER / "instruments.toml")
    reading = Reading(settings=known, rulebook=known.rulebook_of())
    for timeframes in ((), ("15m",)):
        explain.run([FOLDER / "TERNFERRY.parquet"], replace(reading, timeframes=timeframes), "2024-08-13T15:00", None)
    long, short, *as_named = [line for line in capsys.readouterr().out.splitlines() if line.startswith("coarser")]
    assert "the last 1h bar is mixed" in long
    assert as_named == [long, short]


def test_it_gives_the_sizes_dangers_and_spoilers_that_the_alert_gives(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    account = '[account]\nequity = 50000\ncurrency = "EUR"\n[rules]\nentry_style = "early"\n'
    instrument = '[instruments.WHELKCHIT]\ncurrency = "EUR"\ncosts = { spread = "5" }\n'
    (tmp_path / "station.toml").write_text(STATION + account + instrument)
    known = settings.load(tmp_path / "station.toml")
    reading = Reading(timeframes=("1h",), settings=known, rulebook=known.rulebook_of(), account=known.account)
    explain.run(WHELKCHIT, reading, SETUP_BAR, None)
    told = capsys.readouterr().out.splitlines()
    data = setup_at(tmp_path, SETUP_BAR).data
    reasons = [entry["size_reason"] for entry in data["entries"].values()]
    assert len(set(reasons)) == len(reasons)
    lines = [
        f"{style:9} size {sized(entry['size'])}: {entry['size_reason']}" for style, entry in data["entries"].items()
    ]
    assert data["warnings"]
    lines += [f"caution   {warning}" for warning in data["warnings"]]
    lines += ["followed  early", f"spoiled   {data['spoiled_by']}"]
    assert [line for line in lines if line not in told] == []


def test_a_day_means_all_bars_that_closed_on_it(explained: Callable[[str], list[str]]) -> None:
    first, _, heads, *rows = explained("2024-12-31")
    rows = rows[: rows.index("")]
    assert first == (
        "WHELKCHIT 1h, 24 bars of 2024-12-31 (UTC): 1 with a setup that qualified, 0 with one that was set aside."
    )
    assert heads.split() == ["closed", "close", "nearest", "setup", "misses", "which", "rules"]
    hours = [f"2024-12-31 {hour:02}:00" for hour in range(1, 24)] + ["2025-01-01 00:00"]
    assert [row[:16] for row in rows] == hours
    assert rows[5].split()[3:] == ["hammer", "long", "none", "qualified"]
    assert all(re.search(r" \d+ of \d+ ", row) for row in rows[:5] + rows[6:])
    with pytest.raises(UsageError, match="WHELKCHIT has no bar at 2025-06-01; its bars run from"):
        explained("2025-06-01")


@pytest.mark.parametrize("day", range(18, 23))
def test_a_weekly_bar_is_found_by_each_of_its_days(day: int) -> None:
    reading = Reading(timeframes=("1w",), calendar="XNYS")
    at = f"2023-12-{day}"
    asked = Recorded.read([FOLDER / "TERNFERRY.parquet"], reading, at, None).at(at, reading.tz)
    assert asked.bars.open_time[asked.index] // (24 * HOUR) == 19_709  # Monday 18 December 2023


def test_with_a_configuration_it_says_what_the_station_did(
    explained: Callable[[str], list[str]], tmp_path: Path
) -> None:
    def told() -> list[str]:
        lines = explained(SETUP_BAR)
        return [line for line in lines[lines.index("", 2) : lines.index("", lines.index("", 2) + 1)] if line]

    assert told() == [
        f"Not sent: no station of this configuration has run, since there is no store {tmp_path / 'kept.db'}."
    ]
    event = setup_at(tmp_path, SETUP_BAR)
    clock = [event.time + HOUR]
    with Store.open(tmp_path / "kept.db", lambda: clock[0]) as store:
        assert told() == [
            "Not sent: the station did not report this setup, as it missed the bar or judged it by other rules."
        ]
        store.commit(Batch(said=[Said(event, ["phone", "paper", "bell"])]))
        store.outbox.dead([2], "no such user")
        store.outbox.failed([3], clock[0] + HOUR, "busy")
        store.outbox.delivered([1])
        found = "Found Tue 31 Dec 2024 07:00 UTC; "
        assert told() == [
            found + "sent to phone Tue 31 Dec 2024 07:00 UTC.",
            found + "refused for good by paper Tue 31 Dec 2024 07:00 UTC: no such user.",
            found + "still to be sent to bell, from Tue 31 Dec 2024 08:00 UTC on (busy).",
        ]


def test_what_was_bundled_given_up_too_old_or_kept_is_reported_as_such(tmp_path: Path) -> None:
    (tmp_path / "station.toml").write_text(STATION)
    known = settings.load(tmp_path / "station.toml")
    clock = [BAR_CLOSE + QUARTER_HOUR]
    events = [setup_event(name) for name in ("GANNET", "FULMAR", "SKUA", "PUFFIN", "PETREL")]
    aside = replace(events[3], kind="setup.set_aside", data=events[3].data | {"set_aside": "cost fails"})
    with Store.open(tmp_path / "kept.db", lambda: clock[0]) as store:
        store.commit(Batch(said=[Said(event, ["phone"]) for event in events[:3]]))
        store.outbox.delivered([1, 2], late=[2])
        store.outbox.drop([3])
        store.commit(Batch(said=[Said(aside)]))
        clock[0] += 3 * QUARTER_HOUR
        store.commit(Batch(said=[Said(events[4])]))
        late = "Found Mon 2 Mar 2026 17:00 UTC"
        at = "Found Mon 2 Mar 2026 16:15 UTC"
        sent = "sent to phone Mon 2 Mar 2026 16:15 UTC, bundled with 1 other event"
        assert [explain.sent_of(event, known) for event in (*events[:3], aside, events[4])] == [
            [f"{at}; {sent}."],
            [f"{at}; {sent}, too late to act."],
            [f"{at}; not sent to phone: dropped Mon 2 Mar 2026 16:15 UTC."],
            [f"{at}, and not sent: it is set aside (cost fails), and no route asks for that."],
            [f"{late}, and not sent: it was too old by then, more than 3 bars after its own."],
        ]
