"""What the commands write, whatever the terminal can show."""

from __future__ import annotations

import io
from contextlib import redirect_stdout

import pytest

from scanner.commands import output


@pytest.mark.parametrize(("encoding", "written"), [("utf-8", "a\\udcff «b»\n"), ("ascii", "a\\udcff \\xabb\\xbb\n")])
def test_a_character_that_stdout_does_not_take_is_written_by_its_number(encoding: str, written: str) -> None:
    stdout = io.TextIOWrapper(io.BytesIO(), encoding, newline="\n")
    with redirect_stdout(stdout):
        output.say("a\udcff «b»")
    stdout.seek(0)
    assert stdout.read() == written
