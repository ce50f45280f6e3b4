"""Charts to fetch: plain values for the script, and pictures for whoever has none."""

from __future__ import annotations

from typing import TYPE_CHECKING

import orjson
from starlette.responses import Response

from scanner.commands.recorded.setups import example
from scanner.page import charts
from scanner.page.answers import NothingHereError, known, looker
from scanner.page.views.setups import chosen_of
from scanner.page.views.story import story_of
from scanner.page.views.why import bar_of

if TYPE_CHECKING:
    from starlette.requests import Request

GONE = "The store does not have the bars of this chart any more."


def story_data(request: Request) -> Response:
    """Give the chart of a story as values."""
    values = charts.story_values(looker(request).store, known(request), story_of(request))
    return Response(status_code=204) if values is None else _json(values)


def why_data(request: Request) -> Response:
    """Give the chart of a bar that is explained as values."""
    return _json(charts.bar_values(known(request), bar_of(request)))


def story_picture(request: Request) -> Response:
    """Give the chart of a story as a picture."""
    story, about, store = story_of(request), known(request), looker(request).store
    key = "story", story.id, story.events[-1].number, about.mark
    return _png(_pictures(request).of(key, lambda: charts.story_picture(store, about, story)))


def why_picture(request: Request) -> Response:
    """Give the chart of a bar that is explained as a picture."""
    bar, about = bar_of(request), known(request)
    key = "why", bar.key, int(bar.bars.close_time[bar.index]), about.mark
    return _png(_pictures(request).of(key, lambda: charts.bar_picture(about, bar)))


def setup_picture(request: Request) -> Response:
    """Give an example of a setup as a picture."""
    found, rulebook = chosen_of(request)

    def draw() -> bytes | None:
        drawn = example(rulebook, "png")
        return None if drawn is None else drawn[1]

    return _png(_pictures(request).of(("setup", found.setup.name, rulebook.told), draw))


def _pictures(request: Request) -> charts.Pictures:
    found: charts.Pictures = request.app.state.pictures
    return found


def _png(drawn: bytes | None) -> Response:
    if drawn is None:
        raise NothingHereError(GONE)
    return Response(drawn, media_type="image/png")


def _json(values: object) -> Response:
    return Response(orjson.dumps(values), media_type="application/json")
