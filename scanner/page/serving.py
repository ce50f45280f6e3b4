"""The page served: by a command of its own, or by a process beside a running station."""

from __future__ import annotations

import asyncio
import ctypes
import signal
import subprocess
import sys
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING

import anyio.to_thread

from scanner.configuration.model.settings import SettingsError
from scanner.page.access import passwords
from scanner.page.access.guard import LOCAL, Reached
from scanner.page.known.configured import Configured
from scanner.web.serving import MOST_CONNECTIONS, listener, server

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path
    from socket import socket

    from scanner.configuration.model.page import Page
    from scanner.configuration.model.settings import Settings
    from scanner.page.known.looking import Board

POLITE = 10
"""How far the page stands back where the station beside it wants the processor, as ``nice`` counts."""
M_ARENA_MAX = -8
"""The parameter of mallopt(3), from malloc.h."""
THREADS = 4
"""Answers that are worked out at a time."""


def opened(page: Page) -> socket:
    """Open the port of the page; SettingsError where it cannot be."""
    try:
        return listener(page.port, str(page.listen))
    except OSError as problem:
        raise SettingsError(
            f"port of [page], {page.port} on {page.listen}, cannot be opened ({problem.strerror}); choose another"
        ) from problem


def address_of(page: Page) -> str:
    """Give the address at which a browser finds the page."""
    name = page.names[0] if page.names else _host_of(page)
    if page.behind_proxy:
        return f"https://{name}/"
    return f"{'http' if page.certificate is None else 'https'}://{name}:{page.port}/"


def _host_of(page: Page) -> str:
    return f"[{page.listen}]" if page.listen.version == 6 else str(page.listen)  # noqa: PLR2004 - IPv6


def password_line(settings: Settings) -> str | None:
    """Read the hashed password of the page, None where it has none; PasswordFileError where that cannot be used."""
    page = settings.page
    return None if page is None or page.password is None else passwords.read(settings.folder / page.password)


@contextmanager
def beside(path: Path, settings: Settings) -> Iterator[None]:
    """Serve the page of a station in a process of its own, where one is configured, until this is left.

    It ends with this process, too, however that ends.
    """
    if settings.page is None:
        yield
        return
    password_line(settings)
    at = opened(settings.page)
    words = [sys.executable, "-m", "scanner.page", str(path), str(at.fileno())]
    process = subprocess.Popen(words, stdin=subprocess.PIPE, pass_fds=[at.fileno()])  # noqa: S603 - our own words
    at.close()
    try:
        yield
    finally:
        process.terminate()
        process.wait()


def run(path: Path, page: Page, at: socket, stops: Sequence[signal.Signals] = (signal.SIGINT, signal.SIGTERM)) -> None:
    """Serve the page until told to stop, by Ctrl-C or SIGTERM unless other signals are given."""

    async def until_stopped() -> None:
        stop, loop = asyncio.Event(), asyncio.get_running_loop()
        for each in stops:
            loop.add_signal_handler(each, stop.set)
        await serve(path, page, at, stop)

    asyncio.run(until_stopped())


def _share_one_heap() -> None:
    """Have all threads take memory from one heap where the C library (glibc) can be told; each would keep its own."""
    with suppress(OSError, AttributeError):
        ctypes.CDLL(None).mallopt(M_ARENA_MAX, 1)


async def serve(path: Path, page: Page, at: socket, stop: asyncio.Event) -> None:
    """Serve the page of the configuration at ``path`` on a port that is open already, until told to stop."""
    # Much is loaded for this, which nobody needs who only starts a station without a page.
    from scanner.page.app import application  # noqa: PLC0415 - as said above
    from scanner.page.known.looking import Looker  # noqa: PLC0415 - as said above

    _share_one_heap()
    configured = Configured(path)
    settings = configured.known.settings
    looker = Looker(configured)
    app = application(
        looker,
        reached=Reached(
            (*page.names, _host_of(page), *(LOCAL if page.is_local else ())),
            https=page.certificate is not None or page.behind_proxy,
        ),
        password=password_line(settings),
        cookie=f"closewatch-{page.port}",
    )
    folder = settings.folder
    web = server(
        app,
        most=MOST_CONNECTIONS,
        certificate=None if page.certificate is None else folder / page.certificate,
        key=None if page.key is None else folder / page.key,
    )
    # More at a time would only take turns, and each thread keeps memory of its own.
    anyio.to_thread.current_default_thread_limiter().total_tokens = THREADS
    loop, live = asyncio.get_running_loop(), app.state.live

    def tell(board: Board) -> None:
        with suppress(RuntimeError):  # the loop has ended
            loop.call_soon_threadsafe(live.tell, board)

    looker.start(tell)
    serving = asyncio.create_task(web.serve([at]))
    stopping = asyncio.create_task(stop.wait())
    try:
        await asyncio.wait({serving, stopping}, return_when=asyncio.FIRST_COMPLETED)
    finally:
        live.end()
        web.should_exit = True
        await serving
        stopping.cancel()
        await asyncio.to_thread(looker.stop)
