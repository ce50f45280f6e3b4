"""A setup explained: its rules, numbers and evidence."""

from __future__ import annotations

from typing import TYPE_CHECKING

from scanner.analysis.door.setup_trial import example_fit
from scanner.page.views.sheet import Sheet
from scanner.present.reports.setups_report import speak, value

if TYPE_CHECKING:
    from scanner.present.reports.setups_report import Listed
    from scanner.trade.rulebook import Rulebook


def sheet_of(found: Listed, rulebook: Rulebook) -> Sheet:
    """Explain a setup; ``rulebook`` has only this setup."""
    setup, numbers = found.setup, found.numbers
    spoken, fields = speak(found, example_fit(rulebook.setups[0], rulebook.rules)), type(numbers).model_fields
    return Sheet(
        setup.bars,
        setup.places,
        bool(setup.forming),
        rules=spoken.rules,
        numbers=[
            (name, value(default), *([found.here.get(name, "")] if found.here else []), fields[name].description or "")
            for name, default in setup.numbers()
        ],
        has_changes=bool(found.here),
        evidence=spoken.evidence,
        spoiled=spoken.spoiled_by,
    )
