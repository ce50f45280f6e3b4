"""Notifications over a real session bus, to services with and without markup, and to none at all."""

from __future__ import annotations

import logging
from html import unescape
from typing import TYPE_CHECKING, get_args

import pytest

from adapters.sinks.desktop import DesktopSettings, DesktopSink
from scanner.events import KINDS, Kind
from scanner.ports import DeliveryError, DeliveryRefusedError, Message, Notes
from scanner.present.words.words import alert
from scanner.wording.cautions import SHORT
from tests.adapters.samples import HOSTILE_NAMES, LINE, RECORD, set_aside_event, setup_event, station_event
from tests.adapters.session_bus import notification_service, session_bus
from tests.adapters.story_samples import story_event
from tests.present.each_kind import one_of_each

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Iterator
    from pathlib import Path

ADDRESS = "DBUS_SESSION_BUS_ADDRESS"
LOW, NORMAL, CRITICAL = 0, 1, 2
"""Urgencies of the Desktop Notifications Specification of freedesktop.org."""


@pytest.fixture
def bus(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    """Run a session bus; its address is found in the environment, as by every program of a desktop session."""
    with session_bus(tmp_path) as address:
        monkeypatch.setenv(ADDRESS, address)
        yield address


@pytest.fixture
async def sink() -> AsyncIterator[DesktopSink]:
    sink = DesktopSink(DesktopSettings(zone="Europe/Berlin", timeout=5), exchange_zones={"HARBOUR": "America/New_York"})
    yield sink
    await sink.stop()


async def test_a_notification_says_what_matters(bus: str, sink: DesktopSink) -> None:
    async with notification_service(bus, "body") as service:
        await sink.start()
        await sink.deliver([Message(setup_event(), notes=Notes(record=RECORD))])
    (shown,) = service.shown
    assert (shown.program, shown.title) == ("closewatch", "HARBOUR 15m long: doji pause at a trend line")
    assert (
        shown.body
        == f"""\
HARBOUR 15m long: {LINE}
Doji pause at a trend line 99.85 (also a level 99.90). Bar closed Mon 2 Mar 2026 17:00 Berlin (11:00 New York) at \
101.20 EUR.
What speaks against it: volatility 1.31, wanted at most 1.15 (loud: ATR in means of its last 100 values). Caution: The \
position is worth 84299.60 EUR, 1.69 times the equity. At the same bar: inside bar long.
Objectives 102.55, 103.75, 104.95; obstacle 104.20. Exit: ride.
Where the idea is wrong: before the entry, at a close below 100.15 or once the MACD line crosses back; after it, \
at the stop 100.15. Place the stop together with the entry: a fill is reported only at the close of its bar.
{RECORD}
{SHORT}"""
    )


async def test_urgency_depends_on_the_kind(bus: str, sink: DesktopSink) -> None:
    assert set(KINDS) == set(get_args(Kind))
    events = one_of_each()
    async with notification_service(bus, "body") as service:
        for event in events.values():
            await sink.deliver([Message(event)])
        await sink.deliver([Message(setup_event(), late=True)])
        await sink.deliver([Message(story_event("setup.exit_signal", set_aside_event()))])
        await sink.deliver([Message(station_event()), Message(events["feed.back"])])
        await sink.deliver([Message(station_event()), Message(setup_event())])
    told = [shown.urgency for shown in service.shown]
    assert dict(zip(events, told, strict=False)) == {
        "setup.forming": NORMAL,
        "setup.qualified": CRITICAL,
        "setup.set_aside": LOW,
        "setup.withdrawn": CRITICAL,
        "setup.entered": NORMAL,
        "setup.stop_raised": NORMAL,
        "setup.pressure": LOW,
        "setup.exit_signal": CRITICAL,
        "setup.closed": NORMAL,
        "setup.lapsed": NORMAL,
        "setup.spoiled": NORMAL,
        "setup.broken_off": CRITICAL,
        "series.held": NORMAL,
        "series.resumed": LOW,
        "feed.late": CRITICAL,
        "feed.back": NORMAL,
        "station.caught_up": LOW,
        "station.watching": LOW,
    }
    assert told[len(events) :] == [NORMAL, LOW, NORMAL, CRITICAL], "late, set aside, and the most urgent of digests"
    assert len({shown.sender for shown in service.shown}) == 1, "one connection for all"


async def test_a_digest_fits_on_the_screen(bus: str, sink: DesktopSink) -> None:
    async with notification_service(bus, "body") as service:
        await sink.deliver([Message(setup_event(f"NO{number}")) for number in range(500)])
    (shown,) = service.shown
    assert shown.title == "500 alerts: 500 setups"
    lines = shown.body.splitlines()
    assert lines[0].startswith("NO499 15m long: entry 101.35")
    assert lines[8:] == ["and 492 more", SHORT]


@pytest.mark.parametrize("markup", [True, False], ids=["markup", "no markup"])
async def test_any_name_is_shown_as_it_is(bus: str, sink: DesktopSink, markup: bool) -> None:
    messages = [Message(event) for name in HOSTILE_NAMES.values() for event in one_of_each(name, reason=name).values()]
    async with notification_service(bus, "body", *["body-markup"] * markup) as service:
        for message in messages:
            await sink.deliver([message])
    for shown, message in zip(service.shown, messages, strict=True):
        words = alert(message, "Europe/Berlin", None)
        title, expected = words.notification()
        assert shown.title == title
        assert len(shown.title) <= 110
        assert len(expected) < 2_000
        assert (unescape(shown.body) if markup else shown.body) == expected
        assert not (markup and "<" in shown.body)


async def test_a_restarted_service_and_a_restarted_bus_are_found_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, sink: DesktopSink
) -> None:
    with session_bus(tmp_path) as address:
        monkeypatch.setenv(ADDRESS, address)
        for _ in range(2):
            async with notification_service(address, "body") as service:
                await sink.deliver([Message(setup_event())])
                assert len(service.shown) == 1
        with pytest.raises(DeliveryError, match="Cannot show notifications on this desktop"):
            await sink.deliver([Message(setup_event())])
        async with notification_service(address, "body"):
            await sink.start()
    with session_bus(tmp_path) as address:
        monkeypatch.setenv(ADDRESS, address)
        async with notification_service(address, "body") as service:
            await sink.deliver([Message(setup_event())])
            assert len(service.shown) == 1


async def test_a_service_that_refuses_or_is_silent_is_tried_again_later(bus: str) -> None:
    async with notification_service(bus, "body") as service:
        sink = DesktopSink(DesktopSettings(timeout=0.3))
        service.refuses = "too many of them"
        with pytest.raises(DeliveryError, match="too many of them"):
            await sink.deliver([Message(setup_event())])
        service.refuses, service.silent = "", True
        with pytest.raises(DeliveryError, match=r"does not answer: nothing came within 0\.3 s"):
            await sink.deliver([Message(setup_event())])
        service.silent = False
        await sink.deliver([Message(setup_event())])
        assert len(service.shown) == 1
        await sink.stop()
        await sink.stop()


async def test_a_service_with_other_arguments_is_reported_and_nothing_is_lost_in_silence(
    bus: str, sink: DesktopSink
) -> None:
    async with notification_service(bus, "body", hints="") as service:
        with pytest.raises(DeliveryError, match="is not supported"):
            await sink.deliver([Message(setup_event())])
        assert not service.shown


NO_SESSION = {
    "no address": None,
    "no bus there": "unix:path=/nowhere/bus",
    "no address at all": "rubbish",
}


@pytest.mark.parametrize("address", NO_SESSION.values(), ids=NO_SESSION)
async def test_a_missing_session_is_one_sentence(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture, sink: DesktopSink, address: str | None
) -> None:
    monkeypatch.delenv("DISPLAY", raising=False)
    monkeypatch.delenv(ADDRESS, raising=False)
    if address is not None:
        monkeypatch.setenv(ADDRESS, address)
    with caplog.at_level(logging.DEBUG):
        for attempt in (sink.start(), sink.deliver([Message(setup_event())])):
            with pytest.raises(DeliveryError, match=r"^Cannot show notifications on this desktop: .*session") as caught:
                await attempt
            assert not isinstance(caught.value, DeliveryRefusedError)
            assert "\n" not in str(caught.value)
    assert "Traceback" not in caplog.text


async def test_a_session_without_a_service_is_reported(bus: str, sink: DesktopSink) -> None:
    assert bus
    with pytest.raises(DeliveryError, match=r"org\.freedesktop\.Notifications was not provided"):
        await sink.start()
