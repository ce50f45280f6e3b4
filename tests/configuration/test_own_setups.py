"""A user's own setup in a configuration: a sound one is watched, a wrong one is first reported with its line."""

from __future__ import annotations

from shutil import copy
from typing import TYPE_CHECKING

import pytest

import scanner
from scanner.analysis.door.known_setups import SetupError
from scanner.commands.recorded import one_bar, replay
from scanner.commands.station import watch
from scanner.configuration.check import check
from scanner.configuration.model.settings import load
from scanner.configuration.model.wrong_setups import try_own_setups
from scanner.page.serving import beside
from scanner.replays.recordings import Reading
from tests.configuration.examples import CONFIG
from tests.outside.real_bars import SP500

if TYPE_CHECKING:
    from pathlib import Path

SOURCE = (CONFIG / "own_setup.py").read_text(encoding="utf-8")
WITH_OTHER_WORDS = """\
from dataclasses import replace
from own_setup import SETUP as SOUND


def words(fit, numbers):
    said = SOUND.words(fit, numbers)
    return replace(said, {changed})


SETUP = replace(SOUND, words=words)
"""
"""The example with other words; its compiled code is that of the example, and need not be compiled again."""
TABLE = """\
[setups.two_steps]
object = "{module}:SETUP"
[feeds.files]
type = "folder"
path = "bars"
[instruments.GANNET]
feed = "files"
timeframes = ["1d"]
step = 0.01
currency = "EUR"
"""


def written(folder: Path, module: str, source: str, more: str = "") -> Path:
    """Write a setup and a configuration that names it."""
    (folder / f"{module}.py").write_text(source, encoding="utf-8")
    path = folder / "x.toml"
    path.write_text(TABLE.format(module=module) + more, encoding="utf-8")
    return path


def test_a_sound_one_passes_and_is_watched_with_the_numbers_of_each() -> None:
    path = CONFIG / "watch.own_setup.example.toml"
    assert check(path, {}).sentences() == []
    settings = load(path, {}, to_watch=True)
    try_own_setups(settings)
    ((watched, numbers),) = [(each.setup.name, each.numbers) for each in settings.watched()[0].rulebook.setups]
    assert (watched, numbers.model_dump()) == ("two_steps", {"wide_min": 1.8})


def test_a_wrong_one_is_reported_with_its_line_and_the_other_mistakes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.syspath_prepend(CONFIG)
    source = WITH_OTHER_WORDS.format(changed="trigger=''")
    path = written(tmp_path, "price_only", source, "[sinks.screen]\ntype = 'consle'\n")
    sentence = "setups.two_steps: words does not say what the trigger is"
    told = check(path, {}).sentences()
    assert any(each.startswith(f"{path}:1: {sentence}") for each in told)
    assert any("sinks.screen" in each for each in told)

    path = written(tmp_path, "price_only", source)
    with pytest.raises(SetupError, match=sentence):
        try_own_setups(load(path, {}))
    with pytest.raises(SetupError, match=sentence):
        replay.gather([SP500], Reading(settings=load(path, {})), print, print, print, tells_stories=False)
    with pytest.raises(SetupError, match=sentence):
        one_bar.Recorded.read([SP500], Reading(settings=load(path, {})), "2000-06-01", None)
    with pytest.raises(SetupError, match=sentence):
        scanner.study(copy(SP500, tmp_path), config=path)
    with pytest.raises(SetupError, match=sentence):
        watch.run(path, beside)
    assert not (tmp_path / "closewatch.db").exists()


def test_one_that_is_wrong_only_with_an_instruments_own_settings_is_also_reported(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.syspath_prepend(CONFIG)
    source = WITH_OTHER_WORDS.format(changed="rules=said.rules[numbers.wide_min > 2 :]")
    path = written(tmp_path, "one_less", source)
    assert [each for each in check(path, {}).sentences() if "two_steps" in each] == []
    path = written(tmp_path, "one_less", source, "[instruments.GANNET.setups.two_steps]\nwide_min = 2.5\n")
    assert any("words gives 2 thresholds and texts for 3 rules" in each for each in check(path, {}).sentences())


def test_one_that_does_not_compile_is_one_sentence_before_any_bar(tmp_path: Path) -> None:
    source = SOURCE.replace("    return searched(", "    columns.fly()\n    return searched(")
    known = load(written(tmp_path, "flies", source), {})
    reading = Reading(settings=known, rulebook=known.rulebook_of())
    with pytest.raises(SetupError, match=r"setups\.two_steps: .*compile"):
        replay.gather([SP500], reading, print, print, print, tells_stories=False)


@pytest.mark.parametrize(
    ("module", "source", "sentence"),
    [
        ("no_gulls", SOURCE.replace("SETUP = ", "GULLS = "), "has no attribute 'SETUP'"),
        (
            "other_name",
            SOURCE.replace('name="two_steps"', 'name="gulls"'),
            "calls itself 'gulls'; give both the same name",
        ),
        (
            "not_compiled",
            SOURCE.replace("@compiled\ndef find", "def find"),
            "not_compiled:SETUP: find is not compiled",
        ),
        (
            "weighs_not_compiled",
            SOURCE.replace("@compiled\ndef weigh(", "def weigh("),
            "weighs_not_compiled:SETUP: weigh is not compiled",
        ),
        (
            "ahead_not_compiled",
            SOURCE.replace("@compiled\ndef find_forming", "def find_forming"),
            "ahead_not_compiled:SETUP: forming.find is not compiled",
        ),
        ("not_python", "SETUP = (", "cannot be loaded (SyntaxError"),
        ("no_setup", "SETUP = 3", "no_setup:SETUP is a int, not a Setup"),
        ("leaves", "raise SystemExit(0)", "leaves:SETUP cannot be loaded (SystemExit: 0)"),
        ("odd_reach", SOURCE.replace("looks_back=3", "looks_back='3'"), "odd_reach:SETUP: looks_back is '3'; give a"),
        ("calendar", SOURCE, "calendar.py; give your file another name"),
    ],
)
def test_one_that_cannot_be_loaded(module: str, source: str, sentence: str, tmp_path: Path) -> None:
    told = check(written(tmp_path, module, source), {}).sentences()
    where = f"{tmp_path / 'x.toml'}:2: setups.two_steps.object: "
    assert any(each.startswith(where) and sentence in each for each in told)
