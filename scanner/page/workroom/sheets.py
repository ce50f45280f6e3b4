"""A setup explained: its rules, numbers and evidence."""

from __future__ import annotations

from typing import TYPE_CHECKING

from scanner.analysis.door.setup_trial import example_fit
from scanner.page.views.sheet import Sheet
from scanner.present.reports.setups_report import numbers_of, speak

if TYPE_CHECKING:
    from scanner.present.reports.setups_report import Listed
    from scanner.trade.rulebook import Rulebook


def sheet_of(found: Listed, rulebook: Rulebook) -> Sheet:
    """Explain a setup; ``rulebook`` has only this setup."""
    setup, spoken = found.setup, speak(found, example_fit(rulebook.setups[0], rulebook.rules))
    return Sheet(
        setup.bars,
        setup.places,
        bool(setup.forming),
        rules=spoken.rules,
        numbers=numbers_of(found),
        has_changes=bool(found.here),
        evidence=spoken.evidence,
        spoiled=spoken.spoiled_by,
    )
