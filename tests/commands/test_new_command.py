"""``closewatch new``: six answers make a configuration that can be used, and nothing is written before the last."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from typer.testing import CliRunner

from scanner.cli.command_line import app
from scanner.commands.new.questions import QUESTIONS, Answers
from scanner.commands.new.run import asked, zone_of
from scanner.commands.new.text import written
from scanner.commands.trouble import UsageError
from scanner.configuration.model.settings import load

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from scanner.commands.new.questions import Question


def test_what_it_writes_can_be_watched(tmp_path: Path) -> None:
    words = ["", str(tmp_path), 'A "B", 0.01', "A.B's 0.01, MILL 0.05", "XNYS", "1d 1h", "50000 EUR", "desktop"]
    result = CliRunner().invoke(app, ["new", str(tmp_path / "watch.toml")], input="\n".join(words))
    assert result.exit_code == 0, result.output
    assert "watch.toml can be used." in result.output
    assert "needs a name and a price step, such as HARBOUR 0.01" in result.output
    settings = load(tmp_path / "watch.toml", {}, to_watch=True)
    told = {each.instrument.symbol: [frame.name for frame in each.timeframes] for each in settings.watched()}
    assert told == {"A.B's": ["1h", "1d"], "MILL": ["1h", "1d"]}
    assert [settings.setting_of(name, "step") for name in told] == ["0.01", "0.05"]
    assert settings.account.equity == 50_000
    assert settings.sinks == {"desk": {"type": "desktop"}}


@pytest.mark.parametrize(
    ("number", "answer", "sentence"),
    [
        (0, "/no/such/place", "is not a folder"),
        (1, "HARBOUR 0.01, HARBOUR 0.05", "HARBOUR is named twice"),
        (1, "HARBOUR 0", "needs a name and a price step"),
        (1, ", ,", "name at least one instrument"),
        (2, "XXXX", "XXXX"),
        (3, "1h, 90s", "90s"),
        (3, " ", "name at least one timeframe"),
        (4, "50.000 EUR €", "is not an amount and a currency"),
        (4, "1e5 EUR", "is not an amount and a currency"),
        (4, "50.000 EUR", '"50.000" may be a thousand times as much; write 50000 or 50.00'),
        (5, "telephone", "is not one of: terminal, desktop"),
    ],
)
def test_an_answer_that_cannot_be_is_explained_and_asked_again(
    number: int, answer: str, sentence: str, tmp_path: Path
) -> None:
    good = iter([str(tmp_path), "MILL 1", "24/7", "4h", "none", "both"])
    wrong = iter([answer])
    told: list[str] = []

    def ask(asked_now: int, _: Question) -> str:
        return next(wrong, None) or next(good) if asked_now == number + 1 else next(good)

    answers = asked(ask, told.append)
    assert answers.places == ("terminal", "desktop")
    assert len(told) == 1
    assert sentence in told[0]


def test_a_file_that_is_there_stays(tmp_path: Path) -> None:
    path = tmp_path / "watch.toml"
    path.write_text("mine")
    result = CliRunner().invoke(app, ["new", str(path)])
    assert isinstance(result.exception, UsageError)
    assert path.read_text() == "mine"


def test_an_early_end_of_the_answers_leaves_no_file(tmp_path: Path) -> None:
    result = CliRunner().invoke(app, ["new", str(tmp_path / "watch.toml")], input=f"{tmp_path}\nMILL 1\n")
    assert result.exit_code != 0
    assert list(tmp_path.iterdir()) == []


def test_every_offered_answer_is_taken(tmp_path: Path) -> None:
    def answers() -> Iterator[str]:
        yield str(tmp_path)
        yield "MILL 1"
        yield from (each.offered for each in QUESTIONS[2:])

    given = answers()
    (tmp_path / "watch.toml").write_text(written(asked(lambda *_: next(given)), "UTC"))
    assert load(tmp_path / "watch.toml", {}, to_watch=True).account.equity is None
    assert Answers().instruments == ()


def test_the_zone_is_that_of_the_machine(tmp_path: Path) -> None:
    link = tmp_path / "localtime"
    link.symlink_to("/usr/share/zoneinfo/Europe/Oslo")
    assert zone_of({}, link) == "Europe/Oslo"
    assert zone_of({"TZ": "Asia/Tokyo"}, link) == "Asia/Tokyo"
    assert zone_of({"TZ": ":nonsense"}, link) == "UTC"
    assert zone_of({}, tmp_path / "none") == "UTC"
