"""What a feed answers first is looked at before anybody relies on it: over a real server, with what goes wrong."""

from __future__ import annotations

import re
import time
from typing import TYPE_CHECKING, Any

import pytest

from adapters.feeds.folder import FolderFeed
from adapters.feeds.mqtt_bars import MqttBarsFeed
from adapters.feeds.raw_rows import no_rows
from scanner.clocks import SECOND
from scanner.configuration.model.settings import from_document
from scanner.events import rfc3339
from scanner.market.bars import RawBars
from scanner.ports import Answer, Want
from scanner.service.trying.connect import try_all
from scanner.service.trying.first_answer import look
from tests.adapters.feed_servers import as_json, rows
from tests.adapters.servers import Request, Response, http_server
from tests.service.harbour import MINUTE, START, opened

if TYPE_CHECKING:
    from pathlib import Path

SENT = rows(400)
IN_MS = [{**row, "time": row["time"] * 1000} for row in SENT]
CENTURY = 36_525 * 86_400
NOT_YET = [{**row, "time": row["time"] + CENTURY} for row in SENT]
UNTIL = " to Fri 6 Mar 2026 20:00 UTC"
SEEN = f"400 bars of VLT 15m from Mon 2 Mar 2026 16:00 UTC{UNTIL}"


def with_comma(count: int) -> list[dict[str, Any]]:
    return [{**row, "high": f"{row['high'] + 2000:,}"} if number < count else row for number, row in enumerate(SENT)]


HALF = f"200 bars of VLT 15m from Wed 4 Mar 2026 18:00 UTC{UNTIL}"
SWAPPED = {"high": "low", "low": "high"}
TOO_LARGE = "the price step 2 is larger than most bars of VLT (median range 1.75): check step"
COMMA = 'rows of VLT are refused, such as row 0: a price is missing or not a number (high "2,101.5"); check fields'


def to_date(seen: str) -> str:
    """Leave out the bars that closed since: what is sent here grows older every day."""
    return re.sub(r"; [0-9,]+ bars that closed since are missing", "", seen)


@pytest.mark.parametrize(
    ("sent", "feed", "instrument", "trouble", "seen"),
    [
        (SENT, {}, {}, None, SEEN),
        (NOT_YET, {}, {}, "no row of VLT is of a bar that has closed; check fields, time_unit, stamp", ""),
        (SENT + NOT_YET, {}, {}, None, SEEN),
        (IN_MS, {"time_unit": "ms"}, {}, None, SEEN),
        (IN_MS, {}, {}, "all 400 rows of VLT are refused, such as row 0: the time is missing or cannot be read", ""),
        (SENT, {"time_unit": "ms"}, {}, "399 of 400 rows of VLT are refused, such as row 1: no 15m bar", ""),
        (SENT, {"fields": SWAPPED}, {}, "all 400 rows of VLT are refused, such as row 0: the high is b", ""),
        (with_comma(201), {}, {}, f"201 of 400 {COMMA}", ""),
        (with_comma(200), {}, {}, None, f"{HALF}; 200 of 400 {COMMA}"),
        (IN_MS[:1], {}, {}, "the only row of VLT is refused, such as row 0: the time is missing or cannot be read", ""),
        ([], {}, {}, "no row of VLT came for 15m; check symbol, base and timeframes", ""),
        (SENT, {}, {"step": "1.75"}, None, SEEN),
        (SENT, {}, {"step": "2"}, TOO_LARGE, SEEN),
    ],
)
async def test_an_answer_is_looked_at_with_the_eyes_of_the_station(
    sent: list[dict[str, Any]],
    feed: dict[str, Any],
    instrument: dict[str, Any],
    trouble: str | None,
    seen: str,
    tmp_path: Path,
) -> None:
    with http_server(lambda _: as_json(sent)) as server:
        document = {
            "feeds": {"web": {"type": "http_json", "url": f"{server.url}/{{symbol}}", **feed}},
            "instruments": {
                "VOLT": {"feed": "web", "symbol": "VLT", "step": "0.01", "timeframes": ["15m"], **instrument}
            },
        }
        found = (await try_all(from_document(document, tmp_path, {}), {}))["feed web"]
    assert to_date(found.seen) == seen
    assert (found.trouble or "").startswith(trouble or "")
    assert (found.trouble is None) == (trouble is None)
    if found.trouble and ("the time" in found.trouble or "that has closed" in found.trouble):
        assert found.trouble.endswith("; check fields, time_unit, stamp, timeframes, calendar, zone")


def test_rows_may_come_in_any_order_as_a_station_takes_them(tmp_path: Path) -> None:
    document = {
        "feeds": {"files": {"type": "folder", "path": "bars"}},
        "instruments": {"VLT": {"feed": "files", "step": "0.01", "timeframes": ["1m"]}},
    }
    feed = FolderFeed(FolderFeed.Settings(path=tmp_path))
    newest_first = RawBars.joined([opened(START - minute * MINUTE) for minute in range(3)])
    answers = [Answer(Want("VLT", "1m", None), newest_first)]
    found = look(answers, from_document(document, tmp_path, {}).of("VLT"), feed, "UTC", START)
    assert found == (None, "3 bars of VLT 1m from Thu 9 Oct 2025 08:51 UTC to Thu 9 Oct 2025 08:54 UTC")


@pytest.mark.parametrize(
    ("seconds", "said"),
    [
        (120, ""),
        (180, "; 1 bar that closed since is missing"),
        (10 * 3_600, "; 598 bars that closed since are missing"),  # that of the last two minutes may still come
    ],
)
def test_bars_that_a_feed_should_have_are_missed(seconds: int, said: str, tmp_path: Path) -> None:
    document = {
        "feeds": {"files": {"type": "folder", "path": "bars"}},
        "instruments": {"VLT": {"feed": "files", "step": "0.01", "timeframes": ["1m"]}},
    }
    feed = FolderFeed(FolderFeed.Settings(path=tmp_path))
    answers = [Answer(Want("VLT", "1m", None), opened(START))]
    found = look(answers, from_document(document, tmp_path, {}).of("VLT"), feed, "UTC", START + seconds * SECOND)
    assert found == (None, f"1 bar of VLT 1m from Thu 9 Oct 2025 08:53 UTC to Thu 9 Oct 2025 08:54 UTC{said}")


@pytest.mark.parametrize(("minutes", "trusted"), [(-15, True), (0, True), (15, False), (60, False)])
def test_times_ahead_of_the_clock_are_wrong_whatever_has_closed_by_them(
    minutes: int, trusted: bool, tmp_path: Path
) -> None:
    """The bar that is open now begins later: by a clock an hour ahead, or because its time is that of its close."""
    document = {
        "feeds": {"files": {"type": "folder", "path": "bars"}},
        "instruments": {"VLT": {"feed": "files", "step": "0.01", "timeframes": ["15m"]}},
    }
    feed = FolderFeed(FolderFeed.Settings(path=tmp_path))
    quarters = [opened(START + (minutes - 15 * back + 1) * MINUTE) for back in range(6, -1, -1)]
    answers = [Answer(Want("VLT", "15m", None), RawBars.joined(quarters))]
    found = look(answers, from_document(document, tmp_path, {}).of("VLT"), feed, "UTC", START + 2 * SECOND)
    assert (found.trouble is None) == trusted
    if found.trouble:
        begins = f"{rfc3339(START + 15 * MINUTE)}, after {rfc3339(START + 2 * SECOND)}, when the feed was asked"
        assert begins in found.trouble
        assert found.trouble.endswith("; check stamp, tz, time_format, timeframes, calendar, zone")


async def test_a_feed_has_as_long_as_it_wants_itself_and_where_it_is_pushed_to_it_may_have_nothing_yet(
    tmp_path: Path,
) -> None:
    def late(_: Request) -> Response:
        time.sleep(0.2)  # a slow provider
        return as_json(SENT)

    with http_server(late) as server:
        document = {
            "feeds": {"web": {"type": "http_json", "url": f"{server.url}/{{symbol}}"}},
            "instruments": {"VLT": {"feed": "web", "step": "0.01", "timeframes": ["15m"]}},
        }
        settings = from_document(document, tmp_path, {})
        tried = (await try_all(settings, {}, seconds=0.05))["feed web"]
        assert (tried.trouble, to_date(tried.seen)) == (None, SEEN)
    pushed = MqttBarsFeed(
        MqttBarsFeed.Settings(host="broker.example.org", client_id="loft", topic="bars/{symbol}/{timeframe}")
    )
    nothing = Answer(Want("VLT", "15m", None), no_rows("bars", "open"))
    assert look([nothing], settings.of("VLT"), pushed, "UTC", 0) == (None, "no bar of VLT has been pushed yet")


async def test_days_of_another_zone_are_refused_with_the_setting_that_mends_it(tmp_path: Path) -> None:
    """The provider's day begins at midnight in Berlin; by UTC it would be over an hour later, and be the day before."""
    day = 86_400
    begins = START // SECOND // day * day - 2 * 3_600
    rows = [{**SENT[0], "time": begins - back * day} for back in range(60, -1, -1)]
    with http_server(lambda _: as_json(rows)) as server:
        for zone, troubled in (("UTC", True), ("Europe/Berlin", False)):
            document = {
                "feeds": {"web": {"type": "http_json", "url": f"{server.url}/{{symbol}}"}},
                "instruments": {"VOLT": {"feed": "web", "step": "0.01", "timeframes": ["1d"], "zone": zone}},
            }
            found = (await try_all(from_document(document, tmp_path, {}), {}))["feed web"]
            assert (found.trouble is not None) == troubled
            if found.trouble:
                assert "its days are said to begin at midnight in UTC; give the zone" in found.trouble
                assert found.trouble.endswith(", calendar, zone")
