"""The page as a process beside a station: ``python -m scanner.page CONFIG.toml FILE``, where FILE is its open port.

It is started by ``serving.beside``, and ends when its standard input does: with the station, however that ends.
"""

from __future__ import annotations

import os
import signal
import sys
from contextlib import suppress
from pathlib import Path
from socket import socket
from threading import Thread

from scanner.configuration.model.page import Page
from scanner.page import serving
from scanner.page.elsewhere import Elsewhere
from scanner.page.known.configured import Configured


def _end_with_the_station() -> None:
    sys.stdin.buffer.read()
    os._exit(0)


def main() -> None:
    """Serve the page; it has a process group of its own, so that the station alone gets what a terminal sends."""
    path, at = Path(sys.argv[1]), socket(fileno=int(sys.argv[2]))
    with suppress(OSError):
        os.nice(serving.POLITE)
    Thread(target=_end_with_the_station, daemon=True).start()
    with Elsewhere(path) as elsewhere:
        configured = Configured(path, elsewhere.work)
        serving.run(configured, configured.known.page or Page(), at, stops=(signal.SIGTERM,))


if __name__ == "__main__":
    main()
