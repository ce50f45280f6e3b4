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

from scanner.commands.trouble import UsageError
from scanner.configuration.page_files import check_certificate, password_line
from scanner.page.access.guard import LOCAL, Reached
from scanner.web.serving import listener, server

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path
    from socket import socket

    from scanner.configuration.model.page import Page
    from scanner.configuration.model.settings import Settings
    from scanner.page.known.configured import Configured
    from scanner.page.known.looking import Board

POLITE = 10
"""The ``nice`` value of the page, so that the station beside it gets the processor first."""
M_MMAP_THRESHOLD, M_ARENA_MAX = -3, -8
"""Parameters of mallopt(3), from malloc.h."""
LARGE = 65_536
"""Bytes from which freed memory is returned at once."""
THREADS = 4
"""Answers computed at a time."""


def opened(page: Page, folder: Path) -> socket:
    """Open the port of the page; UsageError if that fails, PageFileError if one of its files cannot be used."""
    password_line(page, folder)
    check_certificate(page, folder)
    try:
        return listener(page.port, str(page.listen))
    except OSError as problem:
        raise UsageError(
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


@contextmanager
def beside(path: Path, settings: Settings) -> Iterator[None]:
    """Serve the page of a station in its own process, if configured, until the context is left.

    It also ends with this process, however that ends.
    """
    if settings.page is None:
        yield
        return
    at = opened(settings.page, settings.folder)
    words = [sys.executable, "-m", "scanner.page", str(path), str(at.fileno())]
    process = subprocess.Popen(  # noqa: S603 - our own words
        words, stdin=subprocess.PIPE, pass_fds=[at.fileno()], process_group=0
    )
    at.close()
    try:
        yield
    finally:
        process.terminate()
        process.wait()


def run(
    configured: Configured,
    page: Page,
    at: socket,
    stops: Sequence[signal.Signals] = (signal.SIGINT, signal.SIGTERM),
) -> None:
    """Serve the page until stopped, by default by Ctrl-C or SIGTERM."""

    async def until_stopped() -> None:
        stop, loop = asyncio.Event(), asyncio.get_running_loop()
        for each in stops:
            loop.add_signal_handler(each, stop.set)
        await serve(configured, page, at, stop)

    asyncio.run(until_stopped())


def _spare_memory() -> None:
    """Let all threads share one heap that returns memory, if the C library (glibc) supports it.

    Otherwise each thread has its own heap, and the memory of a large answer is never returned.
    """
    with suppress(OSError, AttributeError):
        library = ctypes.CDLL(None)
        library.mallopt(M_ARENA_MAX, 1)
        library.mallopt(M_MMAP_THRESHOLD, LARGE)


async def serve(configured: Configured, page: Page, at: socket, stop: asyncio.Event) -> None:
    """Serve the page of a configuration on an open port until stopped."""
    # Heavy, and not needed by a station without a page.
    from scanner.page.app import application  # noqa: PLC0415 - as said above
    from scanner.page.known.looking import Looker  # noqa: PLC0415 - as said above

    _spare_memory()
    folder, looker = configured.known.folder, Looker(configured)
    app = application(
        looker,
        reached=Reached(
            (*page.names, _host_of(page), *(LOCAL if page.is_local else ())),
            https=page.certificate is not None or page.behind_proxy,
        ),
        password=password_line(page, folder),
        cookie=f"closewatch-{page.port}",
    )
    web = server(
        app,
        certificate=None if page.certificate is None else folder / page.certificate,
        key=None if page.key is None else folder / page.key,
    )
    # More threads would only take turns, and each keeps memory.
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
