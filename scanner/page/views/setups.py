"""The setups, each explained: its bars, rules, numbers and evidence, with an example from the demo feed."""

from __future__ import annotations

from typing import TYPE_CHECKING

from scanner.analysis.setup import Chosen
from scanner.analysis.setup_trial import example_fit
from scanner.page.answers import NothingHereError, known, render
from scanner.present.setups_report import value
from scanner.trade.rulebook import Rulebook

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response

    from scanner.present.setups_report import Listed


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
    one, numbers = found.setup, found.numbers
    fit = example_fit(rulebook.setups[0], rulebook.rules)
    spoiler = one.spoiler(fit, numbers)
    fields = type(numbers).model_fields
    return render(
        request,
        "setup.html",
        each=found,
        rules=[(name, *words) for name, words in zip(one.rules, one.words(fit, numbers), strict=True)],
        numbers=[
            (name, value(default), *([found.here.get(name, "")] if found.here else []), fields[name].description or "")
            for name, default in one.numbers()
        ],
        evidence=[
            (name, point["threshold"] or "-", point["text"]) for name, point in one.evidence(fit, numbers).items()
        ],
        spoiled=[
            "a close beyond the stop",
            *([spoiler.text] if spoiler.text else []),
            *([f"{spoiler.bars} bars without an entry"] if spoiler.bars is not None else []),
        ],
    )
