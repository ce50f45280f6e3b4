"""The setups, each explained: its bars, rules, numbers and evidence, with an example from the demo feed."""

from __future__ import annotations

from typing import TYPE_CHECKING

from scanner.analysis.door.setup import Chosen
from scanner.analysis.door.setup_trial import example_fit
from scanner.page.answers import NothingHereError, known, render
from scanner.present.reports.setups_report import speak, value
from scanner.trade.rulebook import Rulebook

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response

    from scanner.present.reports.setups_report import Listed


def setups(request: Request) -> Response:
    """List all setups."""
    return render(request, "setups.html", listed=known(request).setups.values())


def chosen_of(request: Request) -> tuple[Listed, Rulebook]:
    """Find the setup that the address names, and a rulebook of it alone; NothingHereError where there is none."""
    found = known(request).setups.get(request.path_params["setup"])
    if found is None:
        raise NothingHereError("There is no setup of that name.")
    rules = next(iter(known(request).rulebooks.values())).rules
    return found, Rulebook(rules, (Chosen(found.setup, found.numbers),))


def setup(request: Request) -> Response:
    """Explain one setup."""
    found, rulebook = chosen_of(request)
    numbers, spoken = found.numbers, speak(found, example_fit(rulebook.setups[0], rulebook.rules))
    fields = type(numbers).model_fields
    return render(
        request,
        "setup.html",
        each=found,
        rules=spoken.rules,
        numbers=[
            (name, value(default), *([found.here.get(name, "")] if found.here else []), fields[name].description or "")
            for name, default in found.setup.numbers()
        ],
        evidence=spoken.evidence,
        spoiled=spoken.spoiled_by,
    )
