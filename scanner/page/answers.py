"""How a page is answered: the session, what the page shows, and its template."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any, TypeVar

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup
from starlette.responses import HTMLResponse, RedirectResponse, StreamingResponse

from scanner.page import words
from scanner.page.access.sessions import BrowserSessions
from scanner.wording.cautions import FULL, SHORT

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping

    from starlette.requests import Request
    from starlette.responses import Response

    from scanner.page.known.looking import Board, Looker
    from scanner.page.known.plain import PlainConfig

Answer = TypeVar("Answer", bound="Response")
Found = TypeVar("Found")
PIECES = 64
"""Parts of a template that are sent together."""
HEAD_ENDS = "</header>"
NAV = (
    ("/", "Now"),
    ("/series", "List"),
    ("/why", "Why not"),
    ("/journal", "Journal"),
    ("/review", "Review"),
    ("/study", "Study"),
    ("/setups", "Setups"),
)


def looker(request: Request) -> Looker:
    """Give the reader of the station's store."""
    found: Looker = request.app.state.looker
    return found


def board(request: Request) -> Board:
    """Give the state at the last look."""
    return looker(request).board


def now(request: Request) -> int:
    """Give the time of the last look, in nanoseconds since 1970 UTC: for a recording, its own."""
    status = board(request).status
    return looker(request).store.clock() if status is None else status.now


def known(request: Request) -> PlainConfig:
    """Give the configuration."""
    return looker(request).configured.known


def sessions(request: Request) -> BrowserSessions:
    """Give the sessions."""
    found: BrowserSessions = request.app.state.sessions
    return found


def session_of(request: Request) -> str:
    """Give the session of a request; empty if it has none."""
    told = request.cookies.get(request.app.state.cookie, "")
    return told if BrowserSessions.is_id(told) else ""


def is_own(request: Request, form: Mapping[str, str]) -> bool:
    """Whether a form belongs to the session of the reader who sends it; nobody knows the token of no session."""
    return sessions(request).fits(session_of(request), form.get("token", ""))


def asked(request: Request, name: str, most: int = 200) -> str:
    """Give a parameter of the address, cut to a length; empty if it is missing."""
    return request.query_params.get(name, "")[:most]


def render(request: Request, template: str, status: int = 200, **context: Any) -> Response:  # noqa: ANN401 - whatever the template shows
    """Write a page; a reader without a session gets one."""
    session = session_of(request) or BrowserSessions.new()
    text = templates().get_template(template).render(_common(request, session) | context)
    return _with_session(request, HTMLResponse(text, status), session)


def part(template: str, **context: Any) -> Markup:  # noqa: ANN401 - as above
    """Write a part of a page that is the same for all readers."""
    return Markup(templates().get_template(template).render(context))  # noqa: S704 - the template escapes all values


def stream(request: Request, template: str, **context: Any) -> StreamingResponse:  # noqa: ANN401 - as above
    """Write a page in parts, as they become known."""
    session = session_of(request) or BrowserSessions.new()
    pieces = templates().get_template(template).generate(_common(request, session) | context)
    return _with_session(request, StreamingResponse(_together(pieces), media_type="text/html"), session)


def _together(pieces: Iterable[str]) -> Iterator[str]:
    """Join parts: the head of a page is sent at once, the rest in larger parts."""
    kept: list[str] = []
    for piece in pieces:
        kept.append(piece)
        if HEAD_ENDS in piece or len(kept) == PIECES:
            yield "".join(kept)
            kept.clear()
    yield "".join(kept)


def _with_session(request: Request, answer: Answer, session: str) -> Answer:
    """Let the browser keep the session of an answer, if it is new."""
    if session != session_of(request):
        remember(request, answer, session)
    return answer


def _common(request: Request, session: str) -> dict[str, Any]:
    """Give what every page shows."""
    about = known(request)
    return {
        "path": request.url.path,
        "nav": NAV,
        "station": about.outline.station,
        "zone": about.zone,
        "board": board(request),
        "nonce": request.state.nonce,
        "token": sessions(request).token(session),
        "with_password": request.app.state.password is not None,
        "caution": FULL,
        "caution_short": SHORT,
    }


def remember(request: Request, answer: Response, session: str) -> None:
    """Let the browser keep a session, for this page alone."""
    secure: bool = request.app.state.https
    answer.set_cookie(request.app.state.cookie, session, path="/", secure=secure, httponly=True, samesite="strict")


def go_to(path: str) -> Response:
    """Send the browser to another page of this server after a form."""
    return RedirectResponse(path, 303)


def found_or_why(look: Callable[[], Found], *expected: type[Exception]) -> tuple[Found | None, str]:
    """Give what is looked for, or the sentence of the expected error that says why there is nothing."""
    try:
        return look(), ""
    except expected as problem:
        return None, str(problem)


def load_templates() -> None:
    """Read all templates beforehand, so that no request waits for it."""
    for name in templates().list_templates():
        templates().get_template(name)


@cache
def templates() -> Environment:
    """Give the templates; they escape all values."""
    environment = Environment(
        loader=PackageLoader("scanner.page"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=False,
    )
    environment.filters.update(words.FILTERS)
    return environment
