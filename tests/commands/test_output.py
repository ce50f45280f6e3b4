"""What the commands write, whatever the terminal can show."""

from __future__ import annotations

import io
from contextlib import redirect_stdout
from pathlib import Path

import pytest

from scanner.commands import output
from scanner.commands.trouble import UsageError


@pytest.mark.parametrize(("encoding", "written"), [("utf-8", "a\\udcff «b»\n"), ("ascii", "a\\udcff \\xabb\\xbb\n")])
def test_a_character_that_stdout_does_not_take_is_written_by_its_number(encoding: str, written: str) -> None:
    stdout = io.TextIOWrapper(io.BytesIO(), encoding, newline="\n")
    with redirect_stdout(stdout):
        output.say("a\udcff «b»")
    stdout.seek(0)
    assert stdout.read() == written


def test_a_disk_that_is_full_is_one_sentence_and_trouble_with_another_file_is_not_blamed_on_this_one(
    tmp_path: Path,
) -> None:
    full = r"^/dev/full: it cannot be written \(No space left on device\); nothing was kept$"
    with pytest.raises(UsageError, match=full), output.whole_file("/dev/full") as stream:
        stream.write(b"a")
    with pytest.raises(UsageError, match=full):
        output.write_whole(Path("/dev/full"), b"a")
    out, other = tmp_path / "out", tmp_path / "other"
    out.write_bytes(b"as before")
    with pytest.raises(FileNotFoundError, match="other"), output.whole_file(str(out)) as stream:
        stream.write(other.read_bytes())
    assert [path.read_bytes() for path in tmp_path.iterdir()] == [b"as before"]
