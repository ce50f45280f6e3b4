"""Events in words on a terminal."""

from __future__ import annotations

import asyncio
import io
import os
import re
import subprocess
import sys
import termios
import unicodedata
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import pytest
from pydantic import ValidationError
from rich.cells import cell_len

from adapters.sinks.console import ConsoleSettings, ConsoleSink
from scanner.market.digits import THIN_SPACE
from scanner.ports import DeliveryError, Message, Notes
from tests.adapters.samples import HOSTILE_NAMES, LINE, RECORD, setup_event, station_event, withdrawn_event
from tests.adapters.story_samples import story_event
from tests.present.each_kind import one_of_each

LEFT_TO_RIGHT_MARK = "\u200e"
COLOURS = re.compile(r"\x1b\[[0-9;]*m")


async def printed(*messages: Message, zone: str = "UTC") -> str:
    out = io.StringIO()
    sink = ConsoleSink(ConsoleSettings(zone=zone), exchange_zones={"HARBOUR": "Asia/Tokyo"}, stream=out)
    await sink.start()
    await sink.deliver(messages)
    await sink.stop()
    await sink.stop()
    return out.getvalue()


def assert_harmless(text: str) -> None:
    """Nothing but lines of visible text at most 80 columns wide, and the mark that keeps numbers on their side."""
    for line in text.split("\n"):
        hidden = [one for one in line if unicodedata.category(one)[0] == "C" and one != LEFT_TO_RIGHT_MARK]
        assert not hidden
        assert cell_len(line) <= 80


async def test_a_setup_is_printed_whole_and_ends_with_the_caution() -> None:
    message = Message(setup_event(), notes=Notes(record=RECORD))
    lines = (await printed(message, zone="Europe/Berlin")).splitlines()
    text = " ".join(" ".join(lines).split())
    assert text.startswith(f"HARBOUR 15m long: {LINE} Doji pause at a trend line 99.85")
    for part in (
        "Bar closed Mon 2 Mar 2026 17:00 Berlin (Tue 3 Mar 01:00 Tokyo) at 101.20 EUR.",
        "size 833 risk limit 1000.00 EUR, 1.20 EUR a unit",
        "All 11 rules hold; closest to failing: not exhausted 1.9, wanted at most 3. Surroundings: 2 of 3 hold;",
        "Where the idea is wrong: before the entry, at a close below 100.15 or once the MACD line crosses back",
        f"{RECORD} Not advice and no promise.",
    ):
        assert part in text
    assert lines[-1] == ""


@pytest.mark.parametrize("length", range(4, 40, 4))
async def test_no_line_ends_within_a_number(length: int) -> None:
    """Half a size looks like one."""
    event = setup_event("N" * length)
    entries = {style: entry | {"size": "1610000"} for style, entry in event.data["entries"].items()}
    text = await printed(Message(replace(event, data=event.data | {"entries": entries})), zone="Europe/Berlin")
    assert f", size 1{THIN_SPACE}610{THIN_SPACE}000, " in text.replace("\n", " ")


async def test_one_that_is_late_says_so_first() -> None:
    assert (await printed(Message(setup_event(), late=True))).startswith("Too late to act: HARBOUR 15m long")


async def test_the_orders_of_what_follows_stand_on_a_line_of_their_own() -> None:
    lines = (await printed(Message(story_event("setup.exit_signal")))).splitlines()
    assert lines[0] == "HARBOUR 15m long: exit signal: sell at the next open, size 833; now +1.16 R"
    assert "  Orders now: sell at the next open." in lines


async def test_a_digest_numbers_its_alerts() -> None:
    events = [setup_event(), withdrawn_event(setup_event()), station_event()]
    text = await printed(*map(Message, events))
    assert text.startswith("3 alerts: 1 setup, 1 withdrawn, 1 summary\n\n1. loft is still watching")
    assert "\n2. Withdrawn: HARBOUR" in text
    assert "\n3. HARBOUR 15m long" in text
    assert text.count("Not advice") == 1


@pytest.mark.parametrize("name", HOSTILE_NAMES.values(), ids=HOSTILE_NAMES)
async def test_any_name_and_reason_of_any_kind_is_shown_and_never_obeyed(name: str) -> None:
    messages = [Message(event) for event in one_of_each(name, name).values()]
    texts = [await printed(message) for message in messages] + [await printed(*messages)]
    for text in texts:
        assert_harmless(text)
    if name == HOSTILE_NAMES["markup"]:
        assert "[bold red]<script>alert(1)" in texts[0]


PROGRAM = """
import asyncio
from adapters.sinks.console import ConsoleSettings, ConsoleSink
from scanner.ports import Message
from tests.adapters.samples import HOSTILE_NAMES, setup_event

async def main():
    sink = ConsoleSink(ConsoleSettings())
    for name in HOSTILE_NAMES.values():
        await sink.deliver([Message(setup_event(name))])

asyncio.run(main())
"""


async def on_a_terminal(**environment: str) -> str:
    """Run the program on a terminal of 80 columns and give all that it was sent."""
    ours, theirs = os.openpty()
    termios.tcsetwinsize(theirs, (25, 80))
    kept = {name: value for name, value in os.environ.items() if name not in {"NO_COLOR", "COLUMNS", "FORCE_COLOR"}}
    process = subprocess.Popen(  # noqa: ASYNC220 - the terminal is read in a thread meanwhile
        [sys.executable, "-c", PROGRAM],
        stdout=theirs,
        cwd=Path(__file__).parents[2],
        env=kept | {"TERM": "xterm-256color", "PYTHONUTF8": "1"} | environment,
    )
    os.close(theirs)

    def read_all() -> bytes:
        read = b""
        try:
            while part := os.read(ours, 65_536):
                read += part
        except OSError:  # so a terminal says that the other end is closed
            pass
        return read

    read = await asyncio.to_thread(read_all)
    os.close(ours)
    assert process.wait() == 0
    return read.decode().replace("\r\n", "\n")


async def test_a_terminal_gets_colours_of_ours_and_nothing_of_the_names() -> None:
    text = await on_a_terminal()
    assert COLOURS.search(text)
    assert_harmless(COLOURS.sub("", text))
    without = await on_a_terminal(NO_COLOR="1")
    assert not re.search(r"\x1b\[[0-9;]*3[0-7]", without)


async def test_what_an_encoding_lacks_is_written_by_number() -> None:
    raw = io.BytesIO()
    out = io.TextIOWrapper(raw, encoding="ascii")
    await ConsoleSink(ConsoleSettings(), stream=out).deliver([Message(setup_event("☃ émoji"))])
    assert raw.getvalue().startswith(rb"\u2603 \xe9moji 15m long: entry 101.35 (buy stop), stop 100.15")


async def test_a_reader_that_has_left_is_a_delivery_error() -> None:
    reading, writing = os.pipe()
    os.close(reading)
    out = os.fdopen(writing, "w")
    sink = ConsoleSink(ConsoleSettings(), stream=out)
    with pytest.raises(DeliveryError, match=r"Cannot write to standard output: .*Broken pipe"):
        await sink.deliver([Message(setup_event())])
    with suppress(BrokenPipeError):  # raised where some of it is still in the buffer
        out.close()
    with pytest.raises(DeliveryError, match=r"Cannot write to standard output: .*closed file"):
        await sink.deliver([Message(setup_event())])


def test_a_zone_that_is_none_is_refused() -> None:
    with pytest.raises(ValidationError, match="there is no time zone"):
        ConsoleSettings(zone="Mars/Base")
