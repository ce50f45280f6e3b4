"""The page as an application: its addresses, access, and the answers to errors."""

from __future__ import annotations

import time
from http import HTTPStatus
from importlib.resources import files
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING

from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.responses import FileResponse, PlainTextResponse, Response
from starlette.routing import Route

from scanner.commands.trouble import UsageError
from scanner.page.access.guard import Reached, RequestGuard
from scanner.page.access.passwords import Tries
from scanner.page.access.sessions import BrowserSessions
from scanner.page.answers import go_to, load_templates, render, session_of, sessions
from scanner.page.live import Live, live
from scanner.page.trouble import NothingHereError
from scanner.page.views import drawn, journal, login, now, series, setups, story, study, why
from scanner.present.reports.page_html import STYLE
from scanner.store import StoreTroubleError

if TYPE_CHECKING:
    from collections.abc import Callable

    from starlette.requests import Request
    from starlette.types import ASGIApp, Receive, Scope, Send

    from scanner.page.known.looking import Looker

OPEN_TO_ALL = ("/login", "/static/")
"""Addresses answered without signing in."""
BOKEH = ("bokeh.min.js", "bokeh-api.min.js")
"""The scripts of the chart library, from its package."""
KINDS = {"js": "text/javascript", "css": "text/css", "svg": "image/svg+xml"}


def application(looker: Looker, *, reached: Reached, password: str | None, cookie: str) -> Starlette:
    """Make the application; ``password`` is the line of its hashed password, None without one.

    ``cookie`` is the name of the cookie: browsers do not separate cookies of one machine by port.
    """
    routes = [
        Route("/", now.now),
        Route("/story/{story}", story.story),
        Route("/story/{story}", story.decide, methods=["POST"]),
        Route("/series", series.series),
        Route("/why", why.why),
        Route("/journal", journal.journal),
        Route("/review", journal.review),
        Route("/study", study.study),
        Route("/study/report", study.report),
        Route("/setups", setups.setups),
        Route("/setups/{setup}", setups.setup),
        Route("/data/story/{story}", drawn.story_data),
        Route("/data/why", drawn.why_data),
        Route("/picture/story/{story}.png", drawn.story_picture),
        Route("/picture/why.png", drawn.why_picture),
        Route("/picture/setup/{setup}.png", drawn.setup_picture),
        Route("/login", login.login),
        Route("/login", login.sign_in, methods=["POST"]),
        Route("/logout", login.sign_out, methods=["POST"]),
        Route("/live", live),
        Route("/static/{name}", static),
    ]
    load_templates()
    app = Starlette(
        routes=routes,
        middleware=[Middleware(RequestGuard, reached), Middleware(SignedIn, password is not None)],
        exception_handlers={
            404: _trouble(HTTPStatus.NOT_FOUND, "Nothing here", "There is no such page."),
            405: _trouble(HTTPStatus.METHOD_NOT_ALLOWED, "Not allowed", "This address can only be read."),
            NothingHereError: _trouble(HTTPStatus.NOT_FOUND, "Nothing here"),
            StoreTroubleError: _trouble(HTTPStatus.SERVICE_UNAVAILABLE, "The store cannot be read"),
            UsageError: _trouble(HTTPStatus.SERVICE_UNAVAILABLE, "The configuration cannot be used"),
        },
    )
    state = app.state
    state.looker, state.password, state.https = looker, password, reached.https
    state.cookie = ("__Host-" if reached.https else "") + cookie
    state.sessions, state.tries = BrowserSessions(time.monotonic), Tries(time.monotonic)
    state.live, state.pictures, state.distances, state.reviews = Live(), drawn.Pictures(), series.Distances(), {}
    state.shared = now.Shared()
    return app


class SignedIn:
    """Sends readers who have not signed in to the login page, if the page has a password."""

    def __init__(self, app: ASGIApp, needed: bool) -> None:
        self.app = app
        self._needed = needed

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] == "http" and self._needed and not scope["path"].startswith(OPEN_TO_ALL):
            from starlette.requests import Request as Asked  # noqa: PLC0415 - the name is a type above

            request = Asked(scope)
            if not sessions(request).is_signed_in(session_of(request)):
                answer = go_to("/login") if scope["method"] == "GET" else PlainTextResponse("Sign in first.\n", 403)
                await answer(scope, receive, send)
                return
        await self.app(scope, receive, send)


async def static(request: Request) -> Response:
    """Give a static file of the page by its name."""
    name = request.path_params["name"]
    headers = {"Cache-Control": "no-cache"}
    if name == "style.css":
        own = files("scanner.page").joinpath("static/style.css").read_text("utf-8")
        return Response(STYLE + own, headers=headers, media_type="text/css")
    if name in BOKEH:
        return FileResponse(_bokeh() / name, headers=headers, media_type="text/javascript")
    known = {each.name: each for each in files("scanner.page").joinpath("static").iterdir()}
    if name not in known:
        raise NothingHereError("There is no such file.")
    return Response(known[name].read_bytes(), headers=headers, media_type=KINDS[name.rpartition(".")[2]])


def _bokeh() -> Path:
    """Find the scripts of the chart library without importing it."""
    found = find_spec("bokeh")
    if found is None or found.origin is None:
        raise NothingHereError("The chart library is not installed.")
    return Path(found.origin).parent / "server" / "static" / "js"


def _trouble(status: HTTPStatus, title: str, sentence: str = "") -> Callable[[Request, Exception], Response]:
    """Make the answer to an error: a page with a sentence, by default that of the error."""

    def answer(request: Request, problem: Exception) -> Response:
        return render(request, "trouble.html", status, title=title, sentence=sentence or str(problem))

    return answer
