"""``closewatch setups``: what there is, and one explained with an example that is drawn."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from scanner.analysis.door.known_setups import known
from scanner.commands.recorded import setups as command
from scanner.commands.trouble import UsageError
from scanner.wording.cautions import SHORT
from tests.configuration.examples import CONFIG

if TYPE_CHECKING:
    from pathlib import Path

OWN = CONFIG / "watch.own_setup.example.toml"


def printed(capsys: pytest.CaptureFixture[str], name: str | None, config: Path | None, out: Path | None) -> list[str]:
    command.run(name, config, out)
    return capsys.readouterr().out.splitlines()


def test_all_are_listed_with_their_rules_and_the_defaults_of_their_numbers(capsys: pytest.CaptureFixture[str]) -> None:
    lines = printed(capsys, None, None, None)
    watched = {line.split()[0]: line.split()[1] for line in lines[1 : 1 + len(known())]}
    assert watched == {name: "on" if setup.by_default else "off" for name, setup in known().items()}
    words = " ".join(" ".join(lines).split())
    for setup in known().values():
        assert f"{setup.name}: {setup.summary} rules: {', '.join(setup.rules)} numbers: " in words
    assert "numbers: lowest_of 20, age_min 4, depth_min 0.1" in words
    assert lines[-1] == SHORT


def test_a_configuration_says_what_is_watched_and_with_what(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    lines = printed(capsys, None, OWN, None)
    watched = {line.split()[0]: line.split()[1] for line in lines[1 : 2 + len(known())]}
    assert [name for name, how in watched.items() if how == "on"] == ["two_steps"]
    assert "    changed here: wide_min 1.8" in lines

    path = tmp_path / "x.toml"
    path.write_text(
        "[instruments.A]\n[instruments.B]\nsetups.hammer = { wait = 5 }\n[instruments.C]\nsetups.hammer = {}\n"
    )
    lines = printed(capsys, None, path, None)
    assert any(line.split()[:4] == ["hammer", "for", "B,", "C"] for line in lines)
    assert "    changed here: wait 5 for B or 2 for C" in lines


@pytest.mark.parametrize("name", known())
def test_each_is_explained_and_drawn_from_the_demo_feed(
    name: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    out = tmp_path / "example.png"
    lines, setup = printed(capsys, name, None, out), known()[name]
    assert lines[0] == f"{setup.title} ({name}), watched: {'on' if setup.by_default else 'off'}"
    begun = [line.split()[0] for line in lines if line.strip()]
    assert {*setup.rules, *setup.numbers.model_fields} <= set(begun)
    assert any(line.startswith("Spoiled before the entry by a close beyond the stop") for line in lines)
    assert any(line.startswith("The first one in the invented demo feed (") for line in lines)
    assert out.read_bytes().startswith(b"\x89PNG")
    assert lines[-1] == SHORT


def test_ones_own_is_explained_with_the_numbers_of_the_configuration(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    lines = printed(capsys, "two_steps", OWN, None)
    assert "wide       >= 1.8     wide bar's range in ATR" in lines
    assert "wide_min      1.5  1.8   least range of the wide bar, in ATR" in lines
    assert [path.name for path in tmp_path.iterdir()] == ["two_steps.png"]


def test_where_the_demo_feed_has_none_nothing_is_drawn(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "x.toml").write_text("[setups.hammer]\nrange_min = 1000\n")
    lines = printed(capsys, "hammer", tmp_path / "x.toml", None)
    assert "The demo feed contains no such setup, so none was drawn." in lines
    assert [path.name for path in tmp_path.iterdir()] == ["x.toml"]


def test_what_cannot_be_explained_is_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r'there is no setup "hamer"; did you mean hammer\?'):
        command.run("hamer", None, None)
    with pytest.raises(UsageError, match="--out is for the picture of one setup; give its name"):
        command.run(None, None, tmp_path / "x.png")
