"""The sink ``console``: events in words on the terminal, or wherever standard output goes."""

from __future__ import annotations

import asyncio
import sys
from types import MappingProxyType
from typing import TYPE_CHECKING, TextIO

from rich.console import Console, Group
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from adapters.sinks.settings import ReaderSettings
from scanner.market.digits import THIN_SPACE
from scanner.ports import DeliveryError
from scanner.present.words.words import say

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from rich.console import RenderableType

    from scanner.ports import Message
    from scanner.wording.words import Line, Words

WIDEST = 100
"""Widest line, in columns, that is easy to read."""
UNBROKEN = "\ue000"
"""Stands for the space between thousands until lines are broken: rich breaks at every space, and half a size is one."""


class ConsoleSettings(ReaderSettings):
    """The reader's settings. The terminal, and NO_COLOR in the environment, decide whether there are colours."""


class ConsoleSink:
    """Prints each message with its levels, and a digest in brief; the rules are in one line."""

    Settings = ConsoleSettings
    wants_pictures = False
    digests = True
    at_once = 1

    def __init__(
        self,
        settings: ConsoleSettings,
        *,
        exchange_zones: Mapping[str, str] = MappingProxyType({}),
        stream: TextIO | None = None,
    ) -> None:
        self._settings = settings
        self._exchange_zones = exchange_zones
        self._stream = stream or sys.stdout
        self._turn = asyncio.Lock()

    async def start(self) -> None:
        """There is nothing to open."""

    async def stop(self) -> None:
        """Nothing is held between two deliveries."""

    async def deliver(self, messages: Sequence[Message]) -> None:
        """Print, and return once it is written; raises DeliveryError if the output is closed."""
        words = say(messages, self._settings.zone, self._exchange_zones)
        loud = any(message.late or message.event.facts.warns for message in messages)
        async with self._turn:
            try:
                await asyncio.to_thread(self._print, _laid_out(words, "bold yellow" if loud else "bold cyan"))
            except (OSError, ValueError) as error:
                raise DeliveryError(f"Cannot write to standard output: {error}") from error

    def _print(self, what: RenderableType) -> None:
        console = Console(file=self._stream, highlight=False)
        console.width = min(console.width, WIDEST)
        # Written directly, since rich ends the whole program when a pipe breaks.
        with console.capture() as captured:
            console.print(what)
        whole = captured.get().replace(UNBROKEN, THIN_SPACE)
        text = "".join(f"{line.rstrip()}\n" for line in whole.split("\n")[:-1])
        encoding = self._stream.encoding or "utf-8"
        self._stream.write(text.encode(encoding, "backslashreplace").decode(encoding))
        self._stream.flush()


def _laid_out(words: Words, style: str) -> RenderableType:
    """Lay words out; they are safe already, and as Text objects they are never taken for markup."""
    blocks: list[RenderableType | None] = [
        _text(words.headline, style),
        _indented(words.lead),
        _indented(words.orders, "bold"),
        _indented(words.against, "yellow"),
    ]
    # Without levels, show the details; else the line about the rules is enough.
    for title, lines in (("Levels", words.levels), (words.why_title, () if words.levels else words.why)):
        if lines:
            blocks += [Text(f"\n  {title}", "bold"), _table(lines)]
    blocks += [_indented(words.wrong, above=1), _indented(words.folded, above=1)]
    for number, part in enumerate(words.parts, start=1):
        blocks += [_text(f"\n{number}. {part.headline}", "bold"), _indented(part.brief())]
    blocks += [_indented(words.record, above=1), _indented(words.caution, "dim", above=1), Text()]
    return Group(*(block for block in blocks if block is not None))


def _text(text: str, style: str = "") -> Text:
    return Text(text.replace(THIN_SPACE, UNBROKEN), style)


def _indented(text: str, style: str = "", above: int = 0) -> RenderableType | None:
    return Padding(_text(text, style), (above, 0, 0, 2)) if text else None


def _table(lines: Sequence[Line]) -> RenderableType:
    grid = Table.grid(padding=(0, 2))
    for line in lines:
        grid.add_row(_text(line.name), _text(line.value), _text(line.note, "dim"))
    return Padding(grid, (0, 0, 0, 4))
