"""closewatch: looks at every bar the moment it closes and tells of the few that fit a rule-based setup."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from scanner.studies.figures.report import report_of
    from scanner.studies.python import study

__all__ = ["report_of", "study"]


def __getattr__(name: str) -> Any:  # noqa: ANN401 - whatever is asked for
    """Load what is offered to Python programs when it is first asked for: most of what runs here needs none of it."""
    if name == "study":
        from scanner.studies.python import study  # noqa: PLC0415 - as said above

        return study
    if name == "report_of":
        from scanner.studies.figures.report import report_of  # noqa: PLC0415 - as said above

        return report_of
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
