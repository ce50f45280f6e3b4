"""Whatever lies at the path of a configuration, reading it ends, and in one sentence."""

from __future__ import annotations

import os
import tomllib
from pathlib import Path

import pytest

from scanner.configuration.check import check
from scanner.configuration.model.settings import SettingsError, load
from scanner.configuration.toml_files.reading import LARGEST, document_of

DEEP = "tables and lists are nested more than 32 deep here, which no setting needs; remove the excess"
BIG = "a whole number must fit in 64 bits; write a smaller one"
NUL = r"a text must not hold the character \u0000; remove it"

TEXTS = [
    ("[station]\nname = " + "[" * 5_000 + "]" * 5_000, 2, DEEP),
    ("[station]\nname = " + "[" * 5_000, 2, DEEP),
    ("\n" + "a = " + "{ a = " * 5_000 + "1" + "}" * 5_000, 2, DEEP),
    (" . ".join('"."' for _ in range(5_000)) + " = 1", 1, DEEP),
    ("[" + ".".join("a" * 100_000) + "]", 1, DEEP),
    (".".join("a" * 20) + " = { b = 1,\n" + ".".join("a" * 20) + " = 1 }", 1, "everything in braces must be on one li"),
    ("x = 1\n" + ".".join("a" * 20) + " = { " + ".".join("a" * 20) + " = 1 }", 2, DEEP),
    ("[station]\nkeep_bars = " + "9" * 5_000, 2, "a number has too many digits; write one that fits in 64 bits"),
    ("[station]\nkeep_bars = 0x" + "f" * 5_000, 2, BIG),
    ("[station]\n\nkeep_bars = -9223372036854775809", 3, BIG),
    ("[station]\nkeep_bars = " + "9" * 5_000 + "\nname", 2, "a number has too many digits; write one that fits in "),
    ('[station]\nname = "loft"\nsecrets = "a\\u0000b"', 3, NUL),
    ('[feeds."a\\u0000b"]\ntype = "folder"', 1, NUL),
]


@pytest.mark.parametrize(("text", "line", "sentence"), TEXTS)
def test_what_no_setting_can_be_is_one_sentence_with_its_line(
    text: str, line: int, sentence: str, tmp_path: Path
) -> None:
    path = tmp_path / "x.toml"
    path.write_text(text, encoding="utf-8")
    checked = check(path, {})
    (told,) = checked.sentences()
    assert told.startswith(f"{path}:{line}: TOML: {sentence}")
    assert checked.settings is None
    with pytest.raises(SettingsError) as refused:
        load(path, {})
    assert str(refused.value).startswith(f"{path}:{line}: {sentence}")


def test_what_only_looks_deep_is_read() -> None:
    text = (
        "name = '"
        + "[" * 99
        + "'\n#"
        + "[." * 99
        + '\na = """{{'
        + "{." * 99
        + '"""\n'
        + "[[b.c]]\nd = [[1.5], [1.5]]\n" * 99
    )
    assert document_of(text) == tomllib.loads(text)


def test_what_is_not_a_file_or_far_too_large_is_not_waited_for(tmp_path: Path) -> None:
    pipe, large = tmp_path / "pipe.toml", tmp_path / "large.toml"
    os.mkfifo(pipe)
    large.touch()
    os.truncate(large, LARGEST + 1)
    not_regular = "it is not a regular file; give the path of a configuration"
    for path, sentence in (
        (pipe, not_regular),
        (Path("/dev/zero"), not_regular),
        (tmp_path, not_regular),
        (large, "it has more than 8,388,608 bytes; give the path of a configuration"),
    ):
        for read in (check, load):
            with pytest.raises(SettingsError) as refused:
                read(path, {})
            assert str(refused.value) == f"{path}: {sentence}"


def test_a_pipe_in_the_secrets_folder_is_not_waited_for_and_a_folder_that_cannot_be_listed_is_reported(
    tmp_path: Path,
) -> None:
    path, secrets = tmp_path / "x.toml", tmp_path / "secrets"
    secrets.mkdir()
    os.mkfifo(secrets / "feeds.coast.path")
    text = '[station]\nsecrets = "{}"\n[feeds.coast]\ntype = "folder"\npath = "."\n'
    for folder, reason in (("secrets", "it is not a regular file"), ("a" * 300, "File name too long")):
        path.write_text(text.format(folder), encoding="utf-8")
        (told,) = [
            each for each in check(path, {}).sentences() if "feeds.coast: the secrets folder cannot be read" in each
        ]
        assert reason in told


def test_a_list_in_the_environment_is_not_followed_to_its_end_either(tmp_path: Path) -> None:
    path = tmp_path / "x.toml"
    path.write_text("", encoding="utf-8")
    told = check(path, {"CLOSEWATCH_DEFAULTS__TIMEFRAMES": "[" * 100_000}).sentences()
    assert any("defaults.timeframes: " in each for each in told)
