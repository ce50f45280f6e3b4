"""The feed ``folder``: files that grow, wait, are moved away and started again while they are read."""

from __future__ import annotations

import asyncio
import os
import subprocess
import sys
import threading
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as how
from hypothesis import strategies as st
from pydantic import ValidationError

from adapters.feeds.files.growing import GrowingFile
from adapters.feeds.files.trouble import ReadingOptions
from adapters.feeds.folder import FolderFeed, other_timeframe
from scanner.market.bars import NO_TIME
from scanner.market.sessions.timeframes import Timeframe
from scanner.ports import FeedTroubleError, Want
from tests.adapters.feed_servers import START, rows, told

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

SECOND = 1_000_000_000
HARBOUR = Want("HARBOUR", "15m", START * SECOND)
HEADER = "time,open,high,low,close,volume\n"


def lines(bars: list[dict[str, Any]]) -> str:
    return "".join(",".join(map(str, row.values())) + "\n" for row in bars)


def since(number: int) -> Want:
    """Ask for the bars from the n-th on."""
    return Want("HARBOUR", "15m", (START + 900 * number) * SECOND)


async def ask(feed: FolderFeed, want: Want = HARBOUR) -> list[dict[str, Any]]:
    (answer,) = await feed.fetch([want])
    return told(answer.bars)


def feed_in(folder: Path, **settings: object) -> FolderFeed:
    return FolderFeed(FolderFeed.Settings.model_validate({"path": folder} | settings))


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "HARBOUR_15m.csv"


def write(path: Path, text: str) -> None:
    path.write_text(text)


def append(path: Path, text: str) -> None:
    with path.open("a") as stream:
        stream.write(text)


async def test_what_is_appended_is_read_once_it_is_whole(path: Path) -> None:
    feed = feed_in(path.parent)
    await feed.start()
    append(path, "")
    assert await ask(feed) == []
    append(path, HEADER)
    assert await ask(feed) == []
    first, second, third = (lines([row]) for row in rows(3))
    append(path, first + second[:-3])
    assert await ask(feed) == rows(1)
    append(path, second[-3:-1])
    assert await ask(feed) == rows(1)
    append(path, "\n" + third)
    assert await ask(feed, since(1)) == rows(3)[1:]
    assert await ask(feed, since(3)) == []
    assert await ask(feed) == rows(3)
    await feed.stop()
    await feed.stop()


@how(deadline=None)
@given(st.data())
def test_however_it_grows_each_row_is_given_once_and_none_is_missing(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    path = tmp_path_factory.mktemp("growing") / "HARBOUR_15m.csv"
    end = data.draw(st.sampled_from(["\n", "\r\n"]))
    mark = data.draw(st.sampled_from(["", "\ufeff"]))
    content = (mark + HEADER + lines(rows(12))).replace("\n", end).encode()
    cuts = sorted(data.draw(st.sets(st.integers(0, len(content)), max_size=12)))
    file = GrowingFile(path, ReadingOptions(), keep=3)
    given_rows: list[dict[str, Any]] = []
    for begin, stop in zip([0, *cuts], [*cuts, len(content)], strict=True):
        with path.open("ab") as stream:
            stream.write(content[begin:stop])
        # Asked from the next bar on, as the watching does.
        bars = file.read((START + 900 * len(given_rows)) * SECOND)
        given_rows += told(bars)
    assert given_rows == rows(12)
    assert told(file.read(None)) == rows(12)
    assert told(file.read((START + 900) * SECOND)) == rows(12)[1:]


@contextmanager
def writing_byte_by_byte(path: Path, text: str) -> Iterator[None]:
    """Let another process write a text to a file."""
    script = (
        "import os, sys\n"
        "file = os.open(sys.argv[1], os.O_WRONLY | os.O_APPEND)\n"
        "for byte in sys.stdin.buffer.read(): os.write(file, bytes([byte]))\n"
    )
    path.touch()
    with subprocess.Popen([sys.executable, "-c", script, str(path)], stdin=subprocess.PIPE) as writer:
        assert writer.stdin is not None
        writer.stdin.write(text.encode())
        writer.stdin.close()
        yield


async def test_a_process_that_writes_byte_by_byte_is_never_read_wrongly(path: Path) -> None:
    feed = feed_in(path.parent)
    found: list[dict[str, Any]] = []
    with writing_byte_by_byte(path, HEADER + lines(rows(200))):
        async with asyncio.timeout(20):
            while len(found) < 200:
                found += await ask(feed, since(len(found)))
                await asyncio.sleep(0)
    assert found == rows(200)


def moved_away(path: Path, rest: str, start: str) -> None:
    append(path, rest)
    path.rename(path.with_suffix(".csv.1"))
    append(path, start)


def emptied(path: Path, rest: str, start: str) -> None:
    """Empty the file as those tools do that copy a log and then cut it: what comes between is lost to us."""
    del rest
    os.truncate(path, 0)
    append(path, start)


def replaced(path: Path, rest: str, start: str) -> None:
    """Put a whole new file in place of the old, as careful writers do."""
    new = path.with_suffix(".new")
    new.write_text(path.read_text() + rest + start.removeprefix(HEADER))
    new.replace(path)


@pytest.mark.parametrize(
    ("change", "header", "lost"),
    [
        (moved_away, HEADER, 0),
        (moved_away, "close,volume,open,high,low,time\n", 0),
        (moved_away, "", 0),
        (emptied, HEADER, 1),
        (emptied, "", 1),
        (replaced, HEADER, 0),
    ],
)
async def test_nothing_is_lost_or_read_twice_when_a_file_is_started_again(
    path: Path, change: Callable[[Path, str, str], None], header: str, lost: int
) -> None:
    bars = rows(8)
    feed = feed_in(path.parent)
    append(path, HEADER + lines(bars[:3]))
    assert await ask(feed) == bars[:3]
    order = header.strip().split(",") if header else list(bars[0])
    start = header + "".join(",".join(str(row[name]) for name in order) + "\n" for row in bars[4:6])
    change(path, lines(bars[3:4]), start)
    assert await ask(feed, since(3)) == bars[3 + lost : 6]
    append(path, "".join(",".join(str(row[name]) for name in order) + "\n" for row in bars[6:]))
    assert await ask(feed, since(6)) == bars[6:]
    # What stood in the file before is still known.
    assert await ask(feed) == bars[:3] + bars[3 + lost :]


async def test_a_file_rewritten_in_pieces_from_its_first_row_gives_no_row_twice(path: Path) -> None:
    feed = feed_in(path.parent)
    append(path, HEADER + lines(rows(4)))
    assert await ask(feed) == rows(4)
    write(path, "")
    assert await ask(feed, since(4)) == []
    append(path, HEADER + lines(rows(2)))
    assert await ask(feed, since(4)) == []
    append(path, lines(rows(5)[2:]))
    assert (await ask(feed, since(4)))[-1:] == rows(5)[4:]
    assert await ask(feed) == rows(5)


async def test_a_question_that_reaches_back_further_than_memory_is_answered_from_the_file(path: Path) -> None:
    feed = feed_in(path.parent, keep=2)
    append(path, HEADER + lines(rows(10)))
    assert await ask(feed, since(9)) == rows(10)[9:]
    assert await ask(feed, since(8)) == rows(10)[8:]
    assert await ask(feed, since(3)) == rows(10)[3:]
    assert await ask(feed, Want("HARBOUR", "15m", None)) == rows(10)
    append(path, lines(rows(11)[10:]))
    assert await ask(feed, since(10)) == rows(11)[10:]


async def test_rows_are_left_to_the_guard_as_they_stand(path: Path) -> None:
    feed = feed_in(path.parent)
    first, second = (lines([row]) for row in rows(2))
    yesterday = rows(1, START - 86_400)
    append(path, HEADER + first + "rubbish\n" + second + lines(yesterday))
    (answer,) = await feed.fetch([HARBOUR])
    assert answer.bars.row.tolist() == [2, 3, 4, 5]
    assert answer.bars.stamp[1] == NO_TIME
    assert "rubbish" in answer.bars.unreadable[3]
    append(path, f"\n{START + 1_800},x,1,1,1,1\n" + second + lines(yesterday))
    (answer,) = await feed.fetch([since(2)])
    # Everything new is given once, even if it was not asked for.
    assert answer.bars.row.tolist() == [7, 8, 9]
    assert np.isnan(answer.bars.open[0])
    assert 'open "x"' in answer.bars.unreadable[7]
    assert told(answer.bars)[1:] == rows(2)[1:] + yesterday
    (answer,) = await feed.fetch([since(2)])
    assert len(answer.bars) == 0


async def test_times_and_names_are_read_as_in_recorded_files(tmp_path: Path) -> None:
    feed = feed_in(
        tmp_path,
        pattern="{timeframe}/{symbol}.txt",
        timeframes={"15m": "M15"},
        tz="Europe/Berlin",
        stamp="close",
        time_format="%d.%m.%Y %H:%M",
    )
    (tmp_path / "M15").mkdir()
    path = tmp_path / "M15" / "HARBOUR.txt"
    append(path, "Date;Open;High;Low;Last;Close;Vol.\n28.03.2026 23:00;1;2;0.5;9;1.5;-\n")
    (answer,) = await feed.fetch([Want("HARBOUR", "15m", None)])
    assert answer.bars.stamp_kind == "close"
    assert answer.bars.stamp.astype("datetime64[ns]").astype("datetime64[m]").astype(str).tolist() == [
        "2026-03-28T22:00"
    ]
    append(path, "29.03.2026 02:30;1;2;0.5;9;1.5;7\n29.03.2026 03:30;1;2;0.5;9;1.5;7\n")
    (answer,) = await feed.fetch([Want("HARBOUR", "15m", int(answer.bars.stamp[0]) + 1)])
    assert answer.bars.stamp[0] == NO_TIME  # the clocks skipped it
    assert answer.bars.stamp[1:].astype("datetime64[ns]").astype("datetime64[m]").astype(str).tolist() == [
        "2026-03-29T01:30"
    ]


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        ("time,open,high,low\n1,2,3,4\n", "no column is named close"),
        ("1,2,3,4,5,6\n" * 3, "no header"),
        (HEADER + "3/4/2026,1,1,1,1,1\n", "add time_format '%d/%m/%Y' or"),
        (HEADER + '1772467200,"1,500",1,1,1,1\n', "add decimal , if the comma"),
        ("x" * 2_000_001, "line 1 is longer"),
        (HEADER + lines(rows(2)) + "x" * 1_100_000, "line 4 is longer"),
    ],
)
async def test_a_file_that_is_not_a_table_of_bars_is_trouble_until_it_is_mended(
    path: Path, content: str, sentence: str
) -> None:
    feed = feed_in(path.parent)
    write(path, content)
    for _ in range(2):
        with pytest.raises(FeedTroubleError, match=sentence):
            await feed.fetch([HARBOUR])
    write(path, HEADER + lines(rows(3)))
    assert await ask(feed) == rows(3)


def spaced(minutes: int, count: int) -> list[dict[str, Any]]:
    """Bars so many minutes apart."""
    return [row | {"time": START + 60 * minutes * number} for number, row in enumerate(rows(count))]


@pytest.mark.parametrize(("minutes", "count", "name"), [(5, 4, "5m"), (60, 21, "1h"), (1_440, 21, "1d")])
async def test_bars_of_another_timeframe_are_trouble_until_the_right_ones_come(
    path: Path, minutes: int, count: int, name: str
) -> None:
    feed = feed_in(path.parent)
    write(path, HEADER + lines(spaced(minutes, count)))
    for _ in range(2):
        with pytest.raises(FeedTroubleError, match=f"its bars are {name} bars, not 15m bars, so none of them is used"):
            await ask(feed)
    write(path, HEADER + lines(rows(5)))
    assert await ask(feed) == rows(5)


async def test_finer_bars_after_right_ones_are_trouble(path: Path) -> None:
    feed = feed_in(path.parent)
    write(path, HEADER + lines(rows(3)))
    assert await ask(feed, since(2)) == rows(3)[2:]
    finer = [row | {"time": START + 2_700 + 300 * number} for number, row in enumerate(rows(3))]
    append(path, lines(finer))
    with pytest.raises(FeedTroubleError, match="5m bars, not 15m bars"):
        await ask(feed, since(2))


@pytest.mark.parametrize(
    ("timeframe", "closes"),
    [
        ("1h", ("14:30", "15:30", "16:00")),
        ("2h", ("11:00", "11:30", "14:30", "15:30")),
        ("8h", ("17:00", "21:00")),
    ],
)
def test_short_last_bars_of_sessions_are_no_other_timeframe(timeframe: str, closes: tuple[str, ...]) -> None:
    stamps = np.array([f"2026-11-{day:02}T{close}" for day in range(2, 28) for close in closes], "datetime64[ns]")
    for begin in range(len(closes) + 1):
        for end in range(begin, len(stamps)):
            assert other_timeframe(stamps[begin:end].astype(np.int64), Timeframe.named(timeframe)) is None


async def test_what_is_not_a_file_is_trouble(tmp_path: Path) -> None:
    with pytest.raises(FeedTroubleError, match="no such folder"):
        await feed_in(tmp_path / "none").start()
    feed = feed_in(tmp_path)
    (tmp_path / "FOLDER_15m.csv").mkdir()
    os.mkfifo(tmp_path / "PIPE_15m.csv")
    for symbol, sentence in (
        ("NONE", "there is no such file"),
        ("FOLDER", "not a regular file"),
        ("PIPE", "not a regular file"),
        ("../HARBOUR", "it has no file"),
        ("/etc/passwd", "it has no file"),
        ("A\0B", "it has no file"),
    ):
        with pytest.raises(FeedTroubleError, match=sentence):
            await feed.fetch([Want(symbol, "15m", None)])


async def test_a_file_may_come_later_than_the_question(path: Path) -> None:
    feed = feed_in(path.parent)
    with pytest.raises(FeedTroubleError, match="there is no such file"):
        await feed.fetch([HARBOUR])
    append(path, HEADER + lines(rows(1)))
    assert await ask(feed) == rows(1)


async def test_a_disk_that_does_not_answer_leaves_the_threads_of_all_others_alone(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A network drive that is gone: each read hangs, and the station gives up waiting and asks again."""
    answers = threading.Event()
    monkeypatch.setattr(GrowingFile, "read", lambda *_: answers.wait())
    feed = feed_in(path.parent)
    try:
        for _ in range(40):  # more than there are threads for everything else
            with pytest.raises(TimeoutError):
                await asyncio.wait_for(feed.fetch([HARBOUR]), 0.001)
        assert await asyncio.wait_for(asyncio.to_thread(lambda: "stored"), 10) == "stored"
    finally:
        answers.set()


@pytest.mark.parametrize(
    ("settings", "sentence"),
    [
        ({"pattern": "{timeframe}.csv"}, "must contain .symbol."),
        ({"pattern": "{symbol}-{tf}.csv"}, "unknown placeholder .tf.; known are .symbol., .timeframe."),
        ({"tz": "Mars/Olympus"}, "no time zone"),
        ({"time_format": "whenever"}, "has no full date"),
        ({"stamp": "middle"}, "stamp"),
        ({"recursive": True}, "recursive"),
    ],
)
def test_mistakes_in_the_settings_are_explained(tmp_path: Path, settings: dict[str, object], sentence: str) -> None:
    with pytest.raises(ValidationError, match=sentence):
        feed_in(tmp_path, **settings)


async def test_rows_that_could_not_be_read_are_given_once_and_forgotten(path: Path) -> None:
    feed = feed_in(path.parent)
    append(path, HEADER)
    for number, row in enumerate(rows(5)):
        append(path, lines([row]) + "never,1,1,1,1,1\n")
        (answer,) = await feed.fetch([HARBOUR])
        assert list(answer.bars.unreadable) == [2 * number + 3]
        assert len(answer.bars) == number + 2
