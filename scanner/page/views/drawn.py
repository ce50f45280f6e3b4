"""Charts to fetch: plain values for the script, and pictures for browsers without it."""

from __future__ import annotations

from collections import OrderedDict
from functools import partial
from threading import Lock
from typing import TYPE_CHECKING

from starlette.responses import Response

from scanner.page.answers import known, looker
from scanner.page.trouble import NothingHereError
from scanner.page.views.setups import setup_of
from scanner.page.views.story import story_of
from scanner.page.views.why import bar_asked

if TYPE_CHECKING:
    from collections.abc import Callable

    from starlette.requests import Request

GONE = "The store does not have the bars of this chart any more."
MOST_PICTURES = 48


class Pictures:
    """Draws one picture at a time, and keeps the latest ones."""

    def __init__(self) -> None:
        self._kept: OrderedDict[object, bytes | None] = OrderedDict()
        self._drawing = Lock()

    def of(self, key: object, draw: Callable[[], bytes | None]) -> bytes | None:
        """Give the picture for a key, drawn by ``draw`` unless it is kept; None if there is nothing to draw."""
        with self._drawing:
            if key not in self._kept:
                self._kept[key] = draw()
                while len(self._kept) > MOST_PICTURES:
                    self._kept.popitem(last=False)
            self._kept.move_to_end(key)
            return self._kept[key]


def story_data(request: Request) -> Response:
    """Give the chart of a story as values."""
    values = looker(request).work.story_values(story_of(request).id)
    return Response(status_code=204) if values is None else Response(values, media_type="application/json")


def why_data(request: Request) -> Response:
    """Give the chart of an explained bar as values."""
    return Response(looker(request).work.bar_values(*bar_asked(request)), media_type="application/json")


def story_picture(request: Request) -> Response:
    """Give the chart of a story as a picture."""
    story = story_of(request)
    key = "story", story.id, story.events[-1].number
    return _drawn(request, key, partial(looker(request).work.story_picture, story.id))


def why_picture(request: Request) -> Response:
    """Give the chart of an explained bar as a picture."""
    bar = bar_asked(request)
    last = 0 if bar[2] else looker(request).board.version  # which bar is the last one may change
    return _drawn(request, ("why", *bar, last), partial(looker(request).work.bar_picture, *bar))


def setup_picture(request: Request) -> Response:
    """Give an example of a setup as a picture."""
    name = setup_of(request).name
    return _drawn(request, ("setup", name), partial(looker(request).work.setup_picture, name))


def _drawn(request: Request, key: tuple[object, ...], draw: Callable[..., bytes | None]) -> Response:
    """Answer with a picture, drawn once for one configuration and in light or ``dark`` colours."""
    pictures: Pictures = request.app.state.pictures
    dark = request.query_params.get("dark") == "1"
    drawn = pictures.of((*key, known(request).outline.mark, dark), partial(draw, dark=dark))
    if drawn is None:
        raise NothingHereError(GONE)
    return Response(drawn, media_type="image/png")
