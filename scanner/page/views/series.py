"""The list: every series with its last bar, whether it is warm, and how far the bar is from a setup."""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass
from threading import Lock
from typing import TYPE_CHECKING

from scanner.commands.trouble import UsageError
from scanner.page.answers import asked, board, known, looker, stream
from scanner.page.words import address, why_address
from scanner.present.reports.status_report import lag_in_words
from scanner.store import SeriesKey, StoreTroubleError

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from starlette.requests import Request
    from starlette.responses import StreamingResponse

    from scanner.page.known.looking import Looker
    from scanner.page.views.measured import Distance
    from scanner.present.reports.status_report import SeriesStatus

ON_A_PAGE = 25
TOGETHER = 5
"""Series judged before their rows are sent."""
MOST_KEPT = 4_000
ONLY = ("", "cold", "behind")


@dataclass(frozen=True, slots=True)
class SeriesRow:
    """One series."""

    status: SeriesStatus
    lag: str
    why: str
    distance: Distance | None


class Distances:
    """Remembers how far the last bars of series were from a setup, so that each bar is judged only once."""

    def __init__(self) -> None:
        self._found: OrderedDict[tuple[SeriesKey, int | None, str], Distance | None] = OrderedDict()
        self._turn = Lock()

    def of(self, looking: Looker, listed: Sequence[SeriesStatus]) -> list[Distance | None]:
        """Say how far some series are from a setup."""
        mark = looking.configured.known.outline.mark
        keys = [(SeriesKey(each.instrument, each.timeframe), each.last_close, mark) for each in listed]
        with self._turn:
            missing = [key for key in keys if key not in self._found]
        if missing:
            found = dict(zip(missing, looking.work.distances([key[0] for key in missing]), strict=True))
            with self._turn:
                self._found |= found
                while len(self._found) > MOST_KEPT:
                    self._found.popitem(last=False)
        with self._turn:
            return [self._found.get(key) for key in keys]


def series(request: Request) -> StreamingResponse:
    """Show the list; rows are sent as they are judged."""
    seen, find, only = board(request), asked(request, "find"), asked(request, "only")
    every = () if seen.status is None else seen.status.series
    fitting = [
        each
        for each in every
        if (find.casefold() in each.instrument.casefold() or find == each.timeframe)
        and (only != "cold" or each.needed)
        and (only != "behind" or each.lag != 0)
    ]
    pages = max(-(-len(fitting) // ON_A_PAGE), 1)
    told = asked(request, "page", 6)
    page = min(max(int(told), 1), pages) if told.isdecimal() else 1
    shown = fitting[(page - 1) * ON_A_PAGE : page * ON_A_PAGE]

    return stream(
        request,
        "series.html",
        rows=_rows(request, shown),
        count=len(every),
        fitting=len(fitting),
        find=find,
        only=only if only in ONLY else "",
        page=page,
        pages=pages,
        address=lambda number: address("/series", find=find, only=only, page=number),
        started=seen.status is not None,
    )


def _rows(request: Request, shown: Sequence[SeriesStatus]) -> Iterator[SeriesRow]:
    distances: Distances = request.app.state.distances
    about = known(request)
    for begin in range(0, len(shown), TOGETHER):
        part = shown[begin : begin + TOGETHER]
        watched = [each for each in part if about.outline.on_list(each.instrument) is not None]
        try:
            found = dict(zip(watched, distances.of(looker(request), watched), strict=True))
        except (StoreTroubleError, UsageError):
            found = {}
        for each in part:
            lag = lag_in_words(each.lag) if each.lag else ""
            yield SeriesRow(each, lag, why_address(each.instrument, each.timeframe), found.get(each))
