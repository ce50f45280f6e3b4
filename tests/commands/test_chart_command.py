"""``closewatch chart``: a whole picture of one bar, and one sentence about what stood there."""

from __future__ import annotations

from contextlib import chdir
from pathlib import Path

import demo_feed
from tests.commands.typed import Done, closewatch

FILE = Path(demo_feed.__file__).parent / "TERNFERRY.parquet"


def run(folder: Path, *words: str) -> Done:
    with chdir(folder):
        return closewatch("chart", FILE, *words)


def test_a_setup_is_drawn_as_a_picture_named_after_its_bar(tmp_path: Path) -> None:
    done = run(tmp_path, "--at", "2023-03-31T14:45")
    assert done.code == 0, done.err
    assert "a long doji pause at a moving average" in done.out
    (made,) = tmp_path.iterdir()
    assert made.name == "TERNFERRY-15m-2023-03-31T1445.png"
    assert made.read_bytes().startswith(b"\x89PNG")


def test_what_became_of_a_setup_is_drawn_and_said(tmp_path: Path) -> None:
    done = run(tmp_path, "--at", "2023-03-31T14:45", "--to-the-end")
    assert done.code == 0, done.err
    assert "a long doji pause at a moving average" in done.out
    assert "Stopped after 9 bars, +0.22 R before costs: the stop was reached." in done.out
    (made,) = tmp_path.iterdir()
    assert made.name == "TERNFERRY-15m-2023-03-31T1445-story.png"
    again = run(tmp_path, "--at", "2023-03-31T14:45", "--to-the-end", "--out", "story.svg")
    assert again.code == 0, again.err
    assert "TERNFERRY 15m ▲ long, +0.22 R" in (tmp_path / "story.svg").read_text(encoding="utf-8")


def test_a_bar_without_a_setup_is_drawn_and_said_to_have_none(tmp_path: Path) -> None:
    done = run(tmp_path, "--at", "2023-03-31T14:30", "--out", "bar.svg")
    assert done.code == 0, done.err
    assert done.out.startswith("There was no setup at this bar, TERNFERRY 15m at 2023-03-31 14:30")
    assert "TERNFERRY 15m, no setup" in (tmp_path / "bar.svg").read_text(encoding="utf-8")


def test_what_cannot_be_drawn_is_one_sentence_and_no_file(tmp_path: Path) -> None:
    for words, why in (
        (["--out", "bar.gif"], "the name must end in .png or .svg"),
        (["--at", "1999-01-01"], "has no bar at"),
    ):
        done = run(tmp_path, "--at", "2023-03-31", *words)
        assert (done.code, done.out) == (2, "")
        (sentence,) = [line for line in done.err.splitlines() if not line.startswith("Compiling the rules")]
        assert why in sentence
    assert not list(tmp_path.iterdir())
