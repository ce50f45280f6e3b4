"""Signing in with the password, if the page has one, and signing out."""

from __future__ import annotations

from typing import TYPE_CHECKING

from starlette.concurrency import run_in_threadpool

from scanner.page.access import passwords
from scanner.page.access.forms import form_of
from scanner.page.answers import go_to, is_own, remember, render, session_of, sessions

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response

    from scanner.page.access.passwords import Tries


def login(request: Request) -> Response:
    """Ask for the password."""
    return render(request, "login.html", wrong="")


async def sign_in(request: Request) -> Response:
    """Sign in a reader who knows the password."""
    told = await form_of(request)
    tries: Tries = request.app.state.tries
    address = "?" if request.client is None else request.client.host
    if not is_own(request, told):
        return render(request, "login.html", 403, wrong="This form is from another session. Send it again.")
    if not tries.may_try(address):
        return render(request, "login.html", 429, wrong="Too many wrong attempts; wait a minute.")
    tries.wrong(address)  # until it proves right, so that many at once count too
    line: str = request.app.state.password
    if not await run_in_threadpool(passwords.fits, told.get("password", ""), line):
        return render(request, "login.html", 403, wrong="This is not the password.")
    tries.right(address)
    answer = go_to("/")
    remember(request, answer, sessions(request).sign_in())
    return answer


async def sign_out(request: Request) -> Response:
    """End a session."""
    if is_own(request, await form_of(request)):
        sessions(request).sign_out(session_of(request))
    return go_to("/login")
