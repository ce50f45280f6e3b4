"""The sink ``jsonl``: each event is one line of JSON at the end of a file, or on standard output."""

from __future__ import annotations

import asyncio
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO

from pydantic import Field

from adapters.sinks.envelope import as_json
from scanner.ports import DeliveryError
from scanner.wording.config_table import ConfigTable

if TYPE_CHECKING:
    from collections.abc import Sequence

    from scanner.ports import Message

STDOUT = Path("-")


class JsonlSettings(ConfigTable):
    """Where the lines go."""

    path: Path = Field(description="file to append to, created if missing; - is standard output")


class JsonlSink:
    """Appends events to a file; delivered events survive a power cut.

    A last line cut off by a crash is left alone, and the next event starts on a new line: readers skip a line that is
    not JSON. The event in the broken line is sent again, since it was never confirmed.
    """

    Settings = JsonlSettings
    wants_pictures = False
    digests = True
    at_once = 1

    def __init__(self, settings: JsonlSettings, *, stdout: BinaryIO | None = None) -> None:
        self._path = settings.path
        self._stdout = stdout or sys.stdout.buffer
        self._turn = asyncio.Lock()

    async def start(self) -> None:
        """Check that the file can be written to, and create it if missing. Raises DeliveryError."""
        await self._write(b"")

    async def stop(self) -> None:
        """Nothing is held between two deliveries."""

    async def deliver(self, messages: Sequence[Message]) -> None:
        """Append a line for each message and return once they are on the disk; raises DeliveryError."""
        await self._write(b"".join(as_json(message) + b"\n" for message in messages))

    async def _write(self, lines: bytes) -> None:
        async with self._turn:
            try:
                await asyncio.to_thread(self._print if self._path == STDOUT else self._append, lines)
            except OSError as error:
                where = "standard output" if self._path == STDOUT else str(self._path)
                raise DeliveryError(f"Cannot append events to {where}: {error.strerror or error}") from error

    def _print(self, lines: bytes) -> None:
        self._stdout.write(lines)
        self._stdout.flush()

    def _append(self, lines: bytes) -> None:
        with open(self._path, "ab+", buffering=0, opener=_open_private) as file:
            size = file.seek(0, os.SEEK_END)
            if lines and size:
                file.seek(-1, os.SEEK_END)
                if file.read(1) != b"\n":
                    lines = b"\n" + lines
            while lines:
                lines = lines[file.write(lines) :]
            os.fsync(file.fileno())
        if not size and os.name == "posix":
            self._sync_folder()

    def _sync_folder(self) -> None:
        """Make the name of a new file as durable as its content."""
        folder = os.open(self._path.absolute().parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)


def _open_private(path: str, flags: int) -> int:
    """Open a file; a new one is not readable by other users."""
    return os.open(path, flags, 0o600)
