"""The configuration made from the answers, as the user would have written it."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from scanner.commands.new.questions import PLACES

if TYPE_CHECKING:
    from scanner.commands.new.questions import Answers


def written(answers: Answers, zone: str) -> str:
    """Write the configuration; ``zone`` is that of the user."""
    return "\n".join(
        [
            "# A first configuration. config/README.md explains every setting, and `closewatch check` every mistake.",
            "# Nothing that the station says is advice.",
            "",
            "[station]",
            "# Your time zone, for the times that you read.",
            f"zone = {_quoted(zone)}",
            "",
            *_account(answers),
            "[feeds.files]",
            "# Files that another program appends to. Times without a zone are read as UTC; tz names another.",
            'type = "folder"',
            f"path = {_quoted(str(answers.folder))}",
            'pattern = "{symbol}_{timeframe}.csv"',
            "",
            *(
                line
                for name, kind in (PLACES[place] for place in answers.places)
                for line in (f"[sinks.{name}]", f"type = {_quoted(kind)}", "")
            ),
            "[defaults]",
            'feed = "files"',
            f"calendar = {_quoted(answers.calendar)}",
            f"timeframes = [{', '.join(_quoted(each) for each in answers.timeframes)}]",
            *([f"currency = {_quoted(answers.currency)}"] if answers.currency else []),
            "",
            *(
                line
                for name, step in answers.instruments
                for line in (f"[instruments.{_quoted(name)}]", f"step = {_quoted(step)}", "")
            ),
        ]
    )


def _account(answers: Answers) -> list[str]:
    if not answers.equity:
        return []
    return [
        "[account]",
        f"equity = {answers.equity}",
        f"currency = {_quoted(answers.currency)}",
        "# The part of the equity that one trade may lose: 0.01 is 1 %.",
        "risk_fraction = 0.01",
        "",
    ]


def _quoted(text: str) -> str:
    """Write a text as a TOML basic string, which has the form of a JSON string."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
