"""``closewatch chart``: a whole picture of one bar, and one sentence about what stood there."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import demo_feed

FILE = Path(demo_feed.__file__).parent / "TERNFERRY.parquet"


def run(folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    code = "from scanner.cli import main; main()"
    command = [sys.executable, "-c", code, "chart", str(FILE), *words]
    house = str(Path(demo_feed.__file__).parent.parent)
    return subprocess.run(command, cwd=folder, env={"PYTHONPATH": house}, capture_output=True, text=True, check=False)


def test_a_setup_is_drawn_as_a_picture_named_after_its_bar(tmp_path: Path) -> None:
    done = run(tmp_path, "--at", "2023-03-31T14:45")
    assert done.returncode == 0, done.stderr
    assert "a doji pause stood, long, its place the average" in done.stdout
    (made,) = tmp_path.iterdir()
    assert made.name == "TERNFERRY-15m-2023-03-31T1445.png"
    assert made.read_bytes().startswith(b"\x89PNG")


def test_what_became_of_a_setup_is_drawn_and_said(tmp_path: Path) -> None:
    done = run(tmp_path, "--at", "2023-03-31T14:45", "--to-the-end")
    assert done.returncode == 0, done.stderr
    assert "a doji pause stood, long, its place the average" in done.stdout
    assert "Stopped after 9 bars, +0.22 R before costs: the stop was reached." in done.stdout
    (made,) = tmp_path.iterdir()
    assert made.name == "TERNFERRY-15m-2023-03-31T1445-story.png"
    again = run(tmp_path, "--at", "2023-03-31T14:45", "--to-the-end", "--out", "story.svg")
    assert again.returncode == 0, again.stderr
    assert "TERNFERRY 15m ▲ long, +0.22 R" in (tmp_path / "story.svg").read_text(encoding="utf-8")


def test_a_bar_without_a_setup_is_drawn_and_said_to_have_none(tmp_path: Path) -> None:
    done = run(tmp_path, "--at", "2023-03-31T14:30", "--out", "bar.svg")
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith("No setup stood at this bar, TERNFERRY 15m at 2023-03-31 14:30")
    assert "TERNFERRY 15m, no setup" in (tmp_path / "bar.svg").read_text(encoding="utf-8")


def test_what_cannot_be_drawn_is_one_sentence_and_no_file(tmp_path: Path) -> None:
    for words, why in (
        (["--out", "bar.gif"], "end the name in .png or .svg"),
        (["--at", "1999-01-01"], "has no bar at"),
    ):
        done = run(tmp_path, "--at", "2023-03-31", *words)
        assert (done.returncode, done.stdout) == (2, "")
        assert why in done.stderr
        assert done.stderr.count("\n") == 1
    assert not list(tmp_path.iterdir())
