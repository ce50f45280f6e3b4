"""closewatch: looks at every bar when it closes and reports the few that complete a rule-based setup."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from scanner.frames import chart, explain_bar, find_setups
    from scanner.studies.figures.report import report_of
    from scanner.studies.python import study

__all__ = ["chart", "explain_bar", "find_setups", "report_of", "study"]

WHERE = {
    "chart": "scanner.frames",
    "explain_bar": "scanner.frames",
    "find_setups": "scanner.frames",
    "report_of": "scanner.studies.figures.report",
    "study": "scanner.studies.python",
}


def __getattr__(name: str) -> Any:  # noqa: ANN401 - whatever has that name
    """Load the Python interface when it is first used: most of what runs here needs none of it."""
    if name in WHERE:
        return getattr(import_module(WHERE[name]), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
