"""The commands as a user runs them: what they print, what they leave behind, and how they end."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from importlib.resources import files
from pathlib import Path

import pytest

from tests.commands.typed import RUN, closewatch, in_a_process
from tests.outside.real_bars import INDEX_TIME_FORMAT, NASDAQ, SHARES, SP500

DEMO = Path(__file__).parents[1] / "config" / "demo.toml"
FIRST_LINE = "time,open,high,low,close,volume\n"


@pytest.fixture(scope="module")
def real(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, list[dict[str, object]]]:
    """Replay the real daily bars once; gives what was printed and the events written."""
    out = tmp_path_factory.mktemp("real") / "events.jsonl"
    done = closewatch("replay", SP500, NASDAQ, SHARES, "--time-format", INDEX_TIME_FORMAT, "--events", out)
    assert done.code == 0, done.err
    return done.out, [json.loads(line) for line in out.read_text(encoding="utf-8").splitlines()]


def test_replay_finds_the_three_splits_in_the_real_shares_and_no_fourth(
    real: tuple[str, list[dict[str, object]]],
) -> None:
    printed, events = real
    held = {
        (event["data"]["instrument"], event["data"]["bar_open"][:10])  # type: ignore[index]  # JSON
        for event in events
        if event["type"] == "closewatch.series.held"
    }
    # bokeh-sampledata's shares are not adjusted: these three openings are splits, 2000-09-29 is a true fall to 53 %.
    assert held == {("AAPL", "2000-06-21"), ("AAPL", "2005-02-28"), ("MSFT", "2003-02-18")}
    assert "put on hold   3" in printed


def test_replay_writes_each_event_as_a_cloud_event_and_counts_them(
    real: tuple[str, list[dict[str, object]]],
) -> None:
    printed, events = real
    found = [event for event in events if event["type"] == "closewatch.setup.qualified"]
    assert f"setups found  {len(found)}" in printed
    assert "bars read     22,216" in printed
    assert "Not advice" in printed.splitlines()[-1]
    assert len({event["id"] for event in events}) == len(events)
    ids = {event["id"] for event in found}
    entered = [event for event in events if event["type"] == "closewatch.setup.entered" and event["thread"] in ids]
    assert f" (entered {len(entered)}; " in printed
    for event in found:
        assert event["specversion"] == "1.0"
        data = event["data"]
        assert isinstance(data, dict)
        assert {"instrument", "timeframe", "setup", "direction", "bar_open", "bar_close", "rules", "places"} <= set(
            data
        )
        assert all(rule["verdict"] for rule in data["rules"].values())
        assert {"early", "break", "average", "stop", "objectives"} <= set(data["levels"])


def test_events_to_stdout_are_nothing_but_events(tmp_path: Path) -> None:
    done = in_a_process("replay", SP500, "--time-format", INDEX_TIME_FORMAT, "--events", "-")
    assert done.code == 0
    assert all(json.loads(line)["specversion"] == "1.0" for line in done.out.splitlines())
    assert list(tmp_path.iterdir()) == []
    assert "bars read     5,031" in done.err
    assert "Not advice" in done.err


def test_what_is_read_is_never_written_over(tmp_path: Path) -> None:
    bars = tmp_path / "gulls.csv"
    bars.write_text(FIRST_LINE + "2024-01-02T10:00Z,10,11,9,10.5,5\n2024-01-02T10:15Z,10,11,9,10.5,5\n")
    (tmp_path / "linked.csv").hardlink_to(bars)
    before = bars.read_bytes()
    for words in (
        ("replay", bars, "--events", bars),
        ("replay", tmp_path, "--events", tmp_path / "linked.csv"),
        ("chart", bars, "--at", "2024-01-02", "--out", bars),
    ):
        done = closewatch(*words)
        assert done.code == 2
        assert bars.read_bytes() == before
    done = closewatch("replay", bars, "--events", tmp_path)
    assert (done.code, "it is a folder; give a file in it" in done.err) == (2, True)


def test_a_configuration_need_not_say_what_the_bars_say(tmp_path: Path) -> None:
    known = tmp_path / "known.toml"
    known.write_text('[instruments.AAPL]\ncurrency = "USD"\n[instruments.MSFT]\nstep = "us_shares"\n')
    done = closewatch("replay", SHARES, "--config", known)
    assert done.code == 0, done.err
    steps = {line.split()[0]: line.split("  ")[-1].strip() for line in done.out.splitlines() if "2000-03-01" in line}
    assert (steps["AAPL"], steps["MSFT"]) == ("0.01 estimated", "by price")


def test_a_step_is_guessed_from_the_bars_that_are_taken(tmp_path: Path) -> None:
    path = tmp_path / "gulls.csv"
    bad = [f"2024-01-{n // 24 + 1:02}T{n % 24:02}:00Z,?,?,?,?,5\n" for n in range(60)]
    good = [f"2024-02-{n // 24 + 1:02}T{n % 24:02}:00Z,10,11.25,9,10.5,5\n" for n in range(300)]
    path.write_text(FIRST_LINE + "".join(bad + good))
    printed = closewatch("replay", path).out
    assert " 0.01 estimated" in printed
    assert "price step    estimated for 1 of 1 instruments; 1,000 of 1,000 prices fit" in printed


def test_too_few_bars_are_reported_whichever_way_the_rows_run(tmp_path: Path) -> None:
    rows = [f"2024-01-02T{n // 4:02}:{n % 4 * 15:02}Z,10,11,9,10.5,5\n" for n in range(90)]
    path = tmp_path / "gulls.csv"
    for written in (rows, reversed(rows)):
        path.write_text(FIRST_LINE + "".join(written))
        assert "not warm      gulls 15m: 90 bars of the 250 needed" in closewatch("replay", path).out


def test_the_name_of_an_instrument_is_shown_on_one_line_whatever_a_file_calls_it(tmp_path: Path) -> None:
    path = tmp_path / "birds.csv"
    row = "2024-01-02T10:00Z,10,11,9,10.5"
    path.write_text(f"time,open,high,low,close,symbol\n{row},GULL\u202e\ufeff\n{row},TERN\n")
    for words, shown in (
        (("replay", path), "'GULL\\u202e\\ufeff'"),
        (("explain", path, "--at", "2024-01-02T10:00Z"), "GULL<202E><FEFF>"),
    ):
        told = closewatch(*words)
        assert told.code == 2
        assert shown in told.err
        assert all(line.isprintable() for line in told.err.split("\n"))


def test_a_pipe_is_written_as_it_is_and_a_link_keeps_pointing(tmp_path: Path) -> None:
    pipe, real_file, link = tmp_path / "pipe", tmp_path / "real.jsonl", tmp_path / "link.jsonl"
    os.mkfifo(pipe)
    link.symlink_to(real_file)
    words = ("replay", SP500, "--time-format", INDEX_TIME_FORMAT, "--events")
    with subprocess.Popen(["cat", str(pipe)], stdout=subprocess.PIPE, text=True) as reader:
        assert closewatch(*words, pipe).code == 0
        read, _ = reader.communicate(timeout=30)
    assert pipe.is_fifo()
    assert closewatch(*words, link).code == 0
    assert link.is_symlink()
    assert real_file.read_text(encoding="utf-8") == read
    missing = closewatch(*words, tmp_path / "no" / "out.jsonl")
    assert missing.code == 2
    assert "there is no folder" in missing.err


def test_explain_says_why_there_was_an_alert_and_why_there_was_none() -> None:
    words = ("explain", SP500, "--time-format", INDEX_TIME_FORMAT, "--equity", "50000", "--at")
    stood = closewatch(*words, "2009-03-12").out
    assert "doji pause long: qualified, 2 of 10 points of evidence" in stood
    assert "stop      712.43" in stood
    none = closewatch(*words, "2009-07-22").out
    assert "doji pause long: no setup; " in none
    (row,) = [line for line in none.splitlines() if line.startswith("drive_length")][:1]
    assert row.split()[1:6] == ["NO", "0.9831", ">=", "1", "0.0169"]


def test_explain_says_what_the_next_bar_must_do(tmp_path: Path) -> None:
    config = tmp_path / "ahead.toml"
    config.write_text("[setups.doji_pause]\nforming = true\n", encoding="utf-8")
    words = ("explain", SP500, "--time-format", INDEX_TIME_FORMAT, "--at", "2009-03-11")
    told = closewatch(*words, "--config", config).out
    # The bar after it, which closed at 750.74, completed a doji pause.
    assert "doji pause long: forming\n\n    a close above 731.91 (beyond the first drive's close and the doji" in told
    assert "forming" not in closewatch(*words).out


def test_a_sum_of_money_has_a_currency_or_says_that_it_has_none(tmp_path: Path) -> None:
    words = ("explain", SP500, "--time-format", INDEX_TIME_FORMAT, "--at", "2009-03-12", "--equity", "50000")
    assert ": risk limit 500.00 USD, " in closewatch(*words, "--currency", "usd").out
    assert "in the currency of the equity, which is not given and taken to be that of the prices" in " ".join(
        closewatch(*words).out.split()
    )
    wrong = closewatch(*words, "--currency", "euros")
    assert wrong.code == 2
    assert "--currency takes three letters (ISO 4217) such as EUR, not 'euros'" in " ".join(wrong.err.split())
    config = tmp_path / "known.toml"
    config.write_text('[account]\ncurrency = "EUR"\n[instruments.sp500]\ncurrency = "USD"\n', encoding="utf-8")
    assert "no rate from USD to EUR given" in closewatch(*words, "--config", config).out
    other = closewatch(*words, "--config", config, "--currency", "USD")
    assert other.code == 2
    assert "is not the currency of the account in" in " ".join(other.err.split())


def test_explain_names_the_bars_there_are_when_asked_for_one_there_is_not() -> None:
    done = closewatch("explain", SP500, "--time-format", INDEX_TIME_FORMAT, "--at", "2009-07-19")
    assert done.code == 2
    assert done.err.startswith("closewatch: sp500 has no bar at 2009-07-19; its bars run from 1999-01-04")


def test_the_demo_shows_setups_and_then_one_that_can_be_drawn(tmp_path: Path) -> None:
    done = closewatch("demo")
    assert done.code == 0
    said = done.out
    assert said.startswith("Two years of 15-minute bars of invented instruments on an invented exchange")
    parts = [
        "setups, and the last",
        "set aside:",
        "on hold:",
        "setups found",
        "which says nothing about its outcome",
        "Where the idea is wrong",
        "Not advice",
    ]
    assert sorted(parts, key=said.index) == parts
    (draw,) = (line.split() for line in said.splitlines() if line.startswith("  closewatch chart "))
    assert " doji pause at a" in closewatch(*draw[1:], "--out", tmp_path / "shown.png").out


def test_a_bad_row_is_reported_with_its_place_and_strict_stops_at_it(tmp_path: Path) -> None:
    rows = [f"2024-01-02T{10 + n // 4}:{n % 4 * 15:02}Z,10,11,9,10.5,5" for n in range(8)]
    rows[3] = rows[3].replace("9,10.5", "9,12.5")
    path = tmp_path / "gulls.csv"
    path.write_text(FIRST_LINE + "\n".join(rows) + "\n", encoding="utf-8")
    done = closewatch("replay", path)
    assert done.code == 0
    assert f"{path}, row 5: open or close is outside the range" in done.err
    assert "refused       1 (1 outside its range)" in done.out
    strict = closewatch("replay", path, "--strict", "--events", tmp_path / "out.jsonl")
    assert strict.code == 2
    assert strict.err.splitlines()[-1].endswith("stopped because of --strict")
    assert not (tmp_path / "out.jsonl").exists()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("replay", "nowhere.csv"), "nowhere.csv: there is no such file"),
        (("replay", str(SP500), "--time-format", "%d/%m/%Y"), "does not fit --time-format %d/%m/%Y; %m/%d/%Y"),
        (
            ("replay", str(SP500), "--columns", "when=Date"),
            "--columns when=Date: write a role and the name of its column",
        ),
        (("import", str(SP500), "--out", "bars.csv"), "--out bars.csv: bars are written as Parquet"),
        (("replay", str(SHARES), "--timeframe", "7m"), "there is no timeframe '7m'; choose one of 1m, 2m"),
        (("replay", str(SHARES), "--timeframe", "1h"), "1h bars cannot be made of 1d bars"),
        (("replay", str(SHARES), "--calendar", "XNYX"), "there is no calendar 'XNYX'"),
        (("replay", str(SHARES), "--step", "-1"), "--step takes a number above 0"),
        (("explain", str(SHARES), "--at", "soon"), "--at soon: write a date such as 2024-03-18"),
        (("explain", str(SHARES), "--at", "2010-01-04", "--instrument", "XYZ"), "no instrument XYZ in the files"),
        (("explain", str(SHARES), "--at", "2010-01-04"), "say which with --instrument"),
    ],
)
def test_trouble_is_one_sentence_and_exit_code_2(words: tuple[str, ...], said: str) -> None:
    done = closewatch(*words)
    assert done.code == 2
    assert said in done.err
    assert "Traceback" not in done.err


@pytest.fixture(scope="module")
def big(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make a file that takes a second or more to replay."""
    path = tmp_path_factory.mktemp("big") / "big.csv"
    path.write_text(FIRST_LINE + "".join([f"{n * 60},10,11,9,10.5,5\n" for n in range(1_000_000)]))
    return path


@pytest.mark.parametrize(("sent", "code"), [(signal.SIGINT, 130), (signal.SIGTERM, 143)])
def test_a_signal_stops_cleanly_and_leaves_no_half_file(
    big: Path, tmp_path: Path, sent: signal.Signals, code: int
) -> None:
    out = tmp_path / "out.jsonl"
    with subprocess.Popen([*RUN, "replay", str(big), "--events", str(out)], stderr=subprocess.PIPE, text=True) as run:
        deadline = time.monotonic() + 30
        while not list(tmp_path.glob(".out.jsonl.*")) and time.monotonic() < deadline:
            time.sleep(0.05)
        run.send_signal(sent)
        _, said = run.communicate(timeout=30)
    assert run.returncode == code
    assert "stopped; nothing was left half done" in said
    assert not list(tmp_path.iterdir())


def test_sigterm_while_an_own_setup_loads_is_not_called_a_fault_of_the_setup(tmp_path: Path) -> None:
    (tmp_path / "slow_setup.py").write_text("import os, signal\n\nos.kill(os.getpid(), signal.SIGTERM)\n")
    config = tmp_path / "own.toml"
    config.write_text('[setups.slow]\nobject = "slow_setup:SETUP"\n')
    done = in_a_process("check", config)
    assert (done.code, done.err.strip()) == (143, "closewatch: stopped; nothing was left half done.")


def test_ctrl_c_shows_no_traceback_while_the_command_line_is_still_loaded() -> None:
    code = """
import signal, sys

class Press:
    def find_spec(self, name, *_):
        if name == "typer":
            signal.raise_signal(signal.SIGINT)

sys.meta_path.insert(0, Press())
from scanner.cli import main
main()
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False, timeout=60)
    assert (done.returncode, done.stderr) == (130, "")


def test_ctrl_c_once_more_ends_a_process_that_waits_at_its_end() -> None:
    waits = "import atexit, sys; atexit.register(lambda: (print('waits', flush=True), sys.stdin.read()))"
    words = [*RUN[:-1], f"{waits}; {RUN[-1]}", "--version"]
    with subprocess.Popen(
        words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as run:
        assert run.stdout is not None
        assert any(line == "waits\n" for line in run.stdout)
        run.send_signal(signal.SIGINT)
        _, said = run.communicate(timeout=30)
    assert (run.returncode, said) == (-signal.SIGINT, "")


def test_a_command_whose_reader_has_gone_ends_without_a_word() -> None:
    reader, writer = os.pipe()
    os.close(reader)
    held_back = os.environ | {"PYTHONUNBUFFERED": ""}  # until the command is over
    with os.fdopen(writer, "wb") as gone:
        done = subprocess.run(
            [*RUN, "check", DEMO], env=held_back, stdout=gone, stderr=subprocess.PIPE, check=False, timeout=60
        )
    assert (done.returncode, done.stderr) == (1, b"")


def test_the_demo_feed_is_found_where_it_is_installed() -> None:
    assert files("demo_feed").joinpath("instruments.toml").is_file()


@pytest.mark.parametrize("closed", ["<&-", ">&-", "2>&-", "<&- >&- 2>&-"])
def test_a_stream_that_was_closed_before_the_start_leads_nowhere(closed: str) -> None:
    done = subprocess.run(
        ["sh", "-c", f'"$0" "$@" {closed}', *RUN, "contract"], capture_output=True, text=True, check=False, timeout=60
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith("{") == (" >" not in f" {closed}")


def test_a_station_whose_events_nobody_reads_any_more_ends(tmp_path: Path) -> None:
    """It has no sink: what it finds would go nowhere."""
    config = tmp_path / "unread.toml"
    text = DEMO.read_text(encoding="utf-8").partition("[sinks.screen]")[0].replace("pace = 1200", "pace = 4000")
    rest = DEMO.read_text(encoding="utf-8").partition("[defaults]")[2]
    text = text.replace('"../demo_feed"', f'"{DEMO.parents[1] / "demo_feed"}"')
    config.write_text(f"{text}[defaults]{rest}", encoding="utf-8")
    station = subprocess.Popen([*RUN, "watch", str(config)], stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    assert station.stdout is not None
    assert station.stdout.readline().startswith(b"{")
    station.stdout.close()
    _, log = station.communicate(timeout=60)
    assert station.returncode == 1
    assert b"could not be taken in" not in log
