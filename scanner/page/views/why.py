"""Why not: any bar of any series, explained rule by rule in each setup and both directions."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from scanner.commands.trouble import UsageError
from scanner.market.sessions.timeframes import Timeframe
from scanner.page.answers import asked, board, found_or_why, known, looker, stream
from scanner.page.trouble import NothingHereError
from scanner.page.words import why_address
from scanner.store import StoreTroubleError

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response


def bar_asked(request: Request) -> tuple[str, str, str]:
    """Give instrument, timeframe and time of the bar, as written in the address."""
    return asked(request, "instrument"), asked(request, "timeframe"), asked(request, "at").strip()


def why(request: Request) -> Response:
    """Explain the requested bar, or ask for one."""
    instrument, timeframe, at = bar_asked(request)
    about, status = known(request).outline, board(request).status
    bar = partial(looker(request).work.explained, instrument, timeframe, at)
    watched = about.on_list(instrument)
    return stream(
        request,
        "why.html",
        instrument=instrument,
        timeframe=timeframe or ("" if watched is None else watched.timeframes[0].name),
        at=at,
        timeframes=sorted({each.name for one in about.listed.values() for each in one.timeframes}, key=Timeframe.named),
        some=[] if status is None else [each.instrument for each in status.series[:60]],
        look=partial(found_or_why, bar, NothingHereError, StoreTroubleError, UsageError),
        address=why_address,
    )
