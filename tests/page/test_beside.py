"""Starting the page: beside a station, by itself, and when it cannot be served."""

from __future__ import annotations

import os
import subprocess
import time
from pathlib import Path

import httpx
import pytest

from scanner.commands.trouble import UsageError
from scanner.page.access import passwords
from scanner.page.command import set_password
from scanner.page.elsewhere import Elsewhere
from scanner.page.trouble import NothingHereError
from scanner.web.serving import listener
from tests.adapters.servers import free_port
from tests.commands.typed import RUN, closewatch
from tests.page.served import CONFIG, get

FEED = Path(__file__).parents[2] / "demo_feed" / "WHELKCHIT.parquet"
"""Invented bars, day and night."""
PLAYED = """
[station]
name = "loft"
store = "kept.db"
[page]
port = {port}
[feeds.tape]
type = "recorded"
path = "{feed}"
pace = 1
[defaults]
feed = "tape"
calendar = "24/7"
timeframes = ["15m"]
step = "0.00001"
[instruments.WHELKCHIT]
"""


def asked(url: str) -> str:
    """Give a page; empty if it is not served."""
    try:
        return get(url).text
    except httpx.TransportError:
        return ""


def until(text: str, url: str) -> None:
    """Ask until a text is there, or, if it is empty, until there is no answer."""
    deadline = time.monotonic() + 60
    while (got := asked(url)) if not text else text not in (got := asked(url)):
        assert time.monotonic() < deadline, got


def test_a_station_serves_its_page_which_ends_with_it_however_it_ends(tmp_path: Path) -> None:
    port, path = free_port(), tmp_path / "watch.toml"
    path.write_text(PLAYED.format(port=port, feed=FEED))
    url = f"http://127.0.0.1:{port}/"
    words = [*RUN, "watch", str(path)]
    with subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True) as station:
        assert station.stderr is not None
        try:
            assert any('"watching"' in line for line in station.stderr)
            until("The station is running", url)
            assert "WHELKCHIT" in asked(f"{url}series")
            (page,) = Path(f"/proc/{station.pid}/task/{station.pid}/children").read_text("utf-8").split()
            assert os.getpgid(int(page)) == int(page)  # so that Ctrl-C in a terminal reaches the station alone
        finally:
            station.kill()
        station.wait(30)
        until("", url)


def test_the_page_by_itself_says_where_it_is_and_that_nobody_watches(tmp_path: Path) -> None:
    port, path = free_port(), tmp_path / "watch.toml"
    path.write_text(CONFIG)
    words = [*RUN, "page", str(path), "--port", str(port)]
    with subprocess.Popen(words, stderr=subprocess.PIPE, text=True) as page:
        assert page.stderr is not None
        assert f"http://127.0.0.1:{port}/" in page.stderr.readline()
        try:
            until("there is no store here", f"http://127.0.0.1:{port}/")
        finally:
            page.terminate()
        assert page.wait(30) == 0


def test_if_it_cannot_be_served_one_sentence_says_why(tmp_path: Path) -> None:
    path = tmp_path / "watch.toml"
    with listener(0) as taken:
        port = taken.getsockname()[1]
        path.write_text(f"{CONFIG}\n[page]\nport = {port}\n")
        for command in ("page", "watch"):
            done = closewatch(command, path)
            assert (done.code, done.err.count("\n")) == (2, 1)
            assert f"port of [page], {port} on 127.0.0.1, cannot be opened" in done.err


def test_the_workroom_lives_while_it_is_used_and_answers_with_errors(tmp_path: Path) -> None:
    path = tmp_path / "watch.toml"
    path.write_text(CONFIG)
    with Elsewhere(path, idle=0.1) as elsewhere:
        assert elsewhere.process is None
        assert elsewhere.work.known().outline.station == "loft <b>"
        with pytest.raises(NothingHereError, match="no setup of this name"):
            elsewhere.work.sheet("none")
        path.write_text("[station]\nnames = 1\n")
        with pytest.raises(UsageError, match=r"station\.names: there is no such setting"):
            elsewhere.work.known()
        deadline = time.monotonic() + 30
        while elsewhere.process is not None:
            assert time.monotonic() < deadline


def test_a_password_is_stored_hashed_in_a_file_that_only_its_owner_can_read(tmp_path: Path) -> None:
    path = tmp_path / "watch.toml"
    path.write_text(CONFIG)
    with pytest.raises(UsageError, match="name the file first"):
        set_password(path, lambda: "")
    path.write_text(f'{CONFIG}\n[page]\npassword = "page.password"\n')
    with pytest.raises(UsageError, match="12 to 1,024 characters"):
        set_password(path, lambda: "short")
    set_password(path, lambda: "long enough, invented")
    assert (tmp_path / "page.password").stat().st_mode & 0o777 == 0o600
    line = (tmp_path / "page.password").read_text()
    assert passwords.fits("long enough, invented", line)
    assert not passwords.fits("long enough, inventeD", line)
