"""The pages of reference say what the code says, and point at what there is."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest
from typer.main import get_command

from scanner.cli.command_line import app
from scanner.configuration.model.settings import Settings
from tests.reference.documents import PAGES, page

ROOT = Path(__file__).parents[2]
LONGEST_README = 150
LINK = re.compile(r"\]\(([^)#]*)(?:#([^)]*))?\)")
HEADING = re.compile(r"^#+ (.*)$", re.MULTILINE)
SHELL = re.compile(r"^```(?:sh|text)\n(.*?)^```", re.MULTILINE | re.DOTALL)
COMMAND = re.compile(r"^(?:.*&& |\$ )?(?:\.venv/bin/)?closewatch ([a-z-]+)", re.MULTILINE)
EVERY = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *(ROOT / path for path in PAGES)]


def _anchors(path: Path) -> set[str]:
    """Give the names by which headings can be linked to, as web pages of repositories make them."""
    text = path.read_text(encoding="utf-8")
    return {re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-") for heading in HEADING.findall(text)}


@pytest.mark.parametrize("path", PAGES, ids=str)
def test_the_tables_are_those_of_the_settings(path: Path) -> None:
    assert (ROOT / path).read_text(encoding="utf-8") == page(ROOT / path), "run python -m tests.reference"


def test_every_table_of_a_configuration_has_a_chapter() -> None:
    chapters = " ".join(HEADING.findall((ROOT / "config/README.md").read_text(encoding="utf-8")))
    missing = [name for name in Settings.model_fields if f"[{name}" not in chapters]
    assert not missing


@pytest.mark.parametrize("path", EVERY, ids=lambda path: str(path.relative_to(ROOT)))
def test_every_link_leads_somewhere(path: Path) -> None:
    for target, anchor in LINK.findall(path.read_text(encoding="utf-8")):
        if target.startswith("http"):
            continue
        linked = (path.parent / target).resolve() if target else path
        assert linked.exists(), f"{path.name} links to {target}"
        assert not anchor or anchor in _anchors(linked), f"{path.name} links to {target}#{anchor}"


def test_every_command_that_is_shown_is_one() -> None:
    known = set(get_command(app).commands)  # type: ignore[attr-defined]  # of the group that the commands make
    texts = [path.read_text(encoding="utf-8") for path in EVERY]
    shown = [found for text in texts for block in SHELL.findall(text) for found in COMMAND.findall(block)]
    shown += [found for text in texts for found in re.findall(r"`closewatch ([a-z-]+)", text)]
    assert shown
    assert {name for name in shown if name not in known} == set()


def test_the_readme_can_be_read_in_one_sitting() -> None:
    assert len((ROOT / "README.md").read_text(encoding="utf-8").splitlines()) <= LONGEST_README


def test_every_example_plays_bars_that_are_there() -> None:
    played = {
        example.name: (example.parent / feed["path"]).resolve()
        for example in sorted((ROOT / "config").glob("*.toml"))
        for feed in tomllib.loads(example.read_text(encoding="utf-8")).get("feeds", {}).values()
        if feed["type"] == "recorded"
    }
    assert len(played) > 1
    assert [name for name, path in played.items() if not path.exists()] == []
