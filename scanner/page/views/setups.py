"""The setups, each explained: its bars, rules, numbers and evidence, with an example from the demo feed."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from scanner.commands.trouble import UsageError
from scanner.page.answers import found_or_why, known, looker, render, stream
from scanner.page.trouble import NO_SETUP, NothingHereError

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response

    from scanner.page.known.plain import SetupLine


def setups(request: Request) -> Response:
    """List all setups."""
    return render(request, "setups.html", listed=known(request).setups.values())


def setup_of(request: Request) -> SetupLine:
    """Find the setup that the address names; NothingHereError if there is none."""
    found = known(request).setups.get(request.path_params["setup"])
    if found is None:
        raise NothingHereError(NO_SETUP)
    return found


def setup(request: Request) -> Response:
    """Explain one setup."""
    found = setup_of(request)
    sheet = partial(looker(request).work.sheet, found.name)
    return stream(request, "setup.html", each=found, look=partial(found_or_why, sheet, NothingHereError, UsageError))
