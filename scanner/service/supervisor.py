"""Messages to the program that started us: ready, alive, reading the list again, stopping.

The protocol is that of sd_notify(3) and sd_watchdog_enabled(3) of systemd: datagrams to the socket that the environment
names. If it names none, nothing is sent.
"""

from __future__ import annotations

import os
import socket
import time
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable, Mapping


class Supervisor:
    """Reports the state of this process to its supervisor.

    ``watchdog`` is the number of seconds within which the supervisor wants a sign of life; None if it wants none.
    If the supervisor does not listen, the process goes on: messages that cannot be sent are dropped.
    """

    def __init__(
        self,
        environ: Mapping[str, str],
        *,
        process: int | None = None,
        monotonic: Callable[[], int] = time.monotonic_ns,
    ) -> None:
        """Take the environment, our process id, and a clock of nanoseconds since the machine started."""
        address = environ.get("NOTIFY_SOCKET", "")
        # A name that begins with @ is in the abstract namespace, which Linux writes with a null byte.
        self._address = "\0" + address[1:] if address.startswith("@") else address
        self._monotonic = monotonic
        self.watchdog = _watchdog(environ, os.getpid() if process is None else process) if address else None

    def ready(self) -> None:
        """Say that we are watching, for the first time or again."""
        self._send("READY=1")

    def reloading(self) -> None:
        """Say that the configuration is being read again; ``ready`` ends it."""
        self._send("RELOADING=1", f"MONOTONIC_USEC={self._monotonic() // 1000}")

    def stopping(self) -> None:
        """Say that we are about to end."""
        self._send("STOPPING=1")

    def alive(self) -> None:
        """Say that we are still there."""
        self._send("WATCHDOG=1")

    async def keep_telling(self, sleep: Callable[[float], Awaitable[object]], is_well: Callable[[], bool]) -> None:
        """Say that we are alive, twice within the watchdog time, while the event loop runs and we are well.

        Ends at once if no watchdog is set. ``sleep`` waits for real seconds.
        """
        while self.watchdog is not None:
            if is_well():
                self.alive()
            await sleep(self.watchdog / 2)

    def _send(self, *lines: str) -> None:
        if not self._address:
            return
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC | socket.SOCK_NONBLOCK) as out:
                out.sendto("\n".join(lines).encode(), self._address)
        except OSError:
            return


def _watchdog(environ: Mapping[str, str], process: int) -> float | None:
    """Read the watchdog time in seconds; None if none is set for this process."""
    try:
        seconds = int(environ["WATCHDOG_USEC"]) / 1e6
        meant = int(environ.get("WATCHDOG_PID", process))
    except (KeyError, ValueError):
        return None
    return seconds if seconds > 0 and meant == process else None
