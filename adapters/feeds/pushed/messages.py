"""Bars pushed to us as JSON messages: their settings, and how they are taken in."""

from __future__ import annotations

import asyncio
import json
from typing import TYPE_CHECKING

from pydantic import Field

from adapters.feeds.json_rows import JmesPath, JsonSettings, Place, RowReader, shown
from adapters.feeds.pushed.link import Link
from adapters.feeds.pushed.recent import MOST_BARS, MOST_SERIES, RecentBars
from adapters.feeds.raw_rows import unreadable_row
from scanner.backoff import Pauses
from scanner.ports import Answer, FeedTroubleError

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable, Sequence

    from adapters.feeds.json_rows import Columns
    from adapters.feeds.pushed.link import Outside
    from scanner.market.bars import RawBars
    from scanner.ports import Want


LONGEST_NAME = 256
"""Length of the longest name of an instrument or a timeframe."""


class PushedSettings(JsonSettings):
    """The settings of a feed that receives messages."""

    symbol: JmesPath | None = Field(None, description="where a row names its instrument")
    timeframe: JmesPath | None = Field(
        None, description="where a row names its timeframe; a name in single quotes is fixed, such as '15m'"
    )
    closed: JmesPath | None = Field(
        None, description="where a row says that its bar has closed; other rows are skipped"
    )
    only: JmesPath | None = Field(
        None, description="condition for a message to hold bars, such as type == 'bar'; by default all do"
    )
    keep: int = Field(
        300,
        ge=1,
        description="bars of each series kept in memory until requested; of all series together, "
        f"at most {MOST_BARS:,}",
    )
    largest_message: int = Field(1 << 20, ge=1, description="most bytes of a message")
    connect_timeout: float = Field(10.0, gt=0, description="seconds to wait for a connection")
    grace: float = Field(30.0, ge=0, description="seconds without a connection after which the feed reports an error")
    first_pause: float = Field(1.0, gt=0, description="seconds before the first attempt to reconnect")
    longest_pause: float = Field(60.0, gt=0, description="longest pause between attempts, in seconds")


class UnreadableMessageError(ValueError):
    """A message cannot be read; the text is one clause that says why."""


class Inbox:
    """Takes messages and keeps their bars.

    ``source`` is the origin of the messages, in words; ``safe`` makes a text from there safe to show, since it may
    contain a secret. ``arrived`` is set whenever there are new bars.
    """

    def __init__(self, settings: PushedSettings, source: str, safe: Callable[[str], str] = str) -> None:
        self.arrived = asyncio.Event()
        self.recent = RecentBars(settings.keep, source, settings.stamp)
        self._settings = settings
        self._source = source
        self._safe = safe
        named = {"symbol": settings.symbol, "timeframe": settings.timeframe, "closed": settings.closed}
        self._also = {name: path for name, path in named.items() if path is not None}
        self._reader = RowReader(settings, self._also, safe)
        self._only = None if settings.only is None else Place(settings.only)
        self._ours = {theirs: ours for ours, theirs in settings.timeframes.items()}
        self._understood = False
        self._strays = 0
        self._last_stray = ""

    def take(self, payload: bytes | str, symbol: str | None = None, timeframe: str | None = None) -> None:
        """Take one message; ``symbol`` and ``timeframe`` are given if the message came with them.

        Any message ends in rows or in a sentence: one that raised would be delivered again and again.
        """
        try:
            columns = self._columns(payload)
            if columns is not None:
                self._sort(columns, symbol, timeframe)
        except UnreadableMessageError as problem:
            self._refuse(str(problem), symbol, timeframe)
        except Exception as problem:  # noqa: BLE001 - a defect with one message must not end the watch over all others
            self._refuse(f"the message could not be taken in: {type(problem).__name__}", symbol, timeframe)

    def _refuse(self, problem: str, symbol: str | None, timeframe: str | None) -> None:
        if symbol is None or timeframe is None:
            self._stray(problem)
        else:
            # The series is known: let the guard refuse a row of it, and say why.
            row = unreadable_row(problem, self.recent.rows, self._source, self._settings.stamp)
            self._add(symbol, timeframe, row)

    def _sort(self, columns: Columns, symbol: str | None, timeframe: str | None) -> None:
        groups: dict[tuple[str, str], list[int]] = {}
        for index in range(len(columns["time"])):
            if self._settings.closed is not None and not _is_true(columns["closed"][index]):
                continue
            whose = columns["symbol"][index] if symbol is None else symbol
            frame = columns["timeframe"][index] if timeframe is None else timeframe
            if not _is_name(whose) or not _is_name(frame):
                self._stray(f"a row names no {'timeframe' if _is_name(whose) else 'instrument'}")
                continue
            groups.setdefault((whose, frame), []).append(index)
        for (whose, frame), indices in groups.items():
            chosen = {name: [values[index] for index in indices] for name, values in columns.items()}
            self._add(whose, frame, self._reader.bars(chosen, self._source, self.recent.rows))

    def _add(self, symbol: str, timeframe: str, bars: RawBars) -> None:
        if self.recent.add(symbol, self._ours.get(timeframe, timeframe), bars):
            self._understood = True
            self.arrived.set()
        else:
            self._stray(f"there are more than {MOST_SERIES:,} series")

    def _columns(self, payload: bytes | str) -> Columns | None:
        if len(payload) > self._settings.largest_message:
            raise UnreadableMessageError(f"the message is longer than {self._settings.largest_message:,} bytes")
        try:
            value = json.loads(payload)
        except (ValueError, RecursionError):
            text = payload if isinstance(payload, str) else payload.decode(errors="replace")
            raise UnreadableMessageError(f"not JSON: {shown(text, self._safe)}") from None
        if self._only is not None and not _holds(self._only.find(value)):
            return None
        try:
            columns = self._reader.columns(value)
        except ValueError as problem:
            raise UnreadableMessageError(f"the rows do not match: {problem}") from None
        if columns is None:
            raise UnreadableMessageError(f"no rows at {self._settings.rows} in {shown(value, self._safe)}")
        return columns

    def _stray(self, problem: str) -> None:
        self._strays += 1
        self._last_stray = problem

    def check(self) -> None:
        """Raise FeedTroubleError if messages arrive, but none could be read as bars."""
        if self._strays and not self._understood:
            raise FeedTroubleError(
                f"{self._source}: none of the {self._strays} messages so far could be read as bars "
                f"({self._last_stray}); check rows, fields, symbol and timeframe in the settings of the feed"
            )


def _holds(found: object) -> bool:
    """Whether JMESPath counts a value as true: all but null, false and empty ones."""
    return found is not None and found is not False and found not in ("", [], {})


def _is_name(found: object) -> bool:
    """Whether it may be the name of an instrument or a timeframe; longer names could fill the memory."""
    return isinstance(found, str) and len(found) <= LONGEST_NAME


def _is_true(value: object) -> bool:
    return isinstance(value, bool | int | str) and str(value).lower() in {"true", "1"}


class PushedFeed:
    """The common base of feeds that receive messages: a link, an inbox, and answers from memory."""

    batch = 100_000

    def __init__(
        self,
        settings: PushedSettings,
        source: str,
        session: Callable[[Callable[[], None]], Awaitable[None]],
        outside: Outside,
        safe: Callable[[str], str],
    ) -> None:
        self.inbox = Inbox(settings, source, safe)
        self.arrived: asyncio.Event | None = self.inbox.arrived
        pauses = Pauses(outside.chance, settings.first_pause, settings.longest_pause)
        self.link = Link(session, pauses, settings.grace, outside)

    async def start(self) -> None:
        """Connect; raises FeedTroubleError."""
        await self.link.start()

    async def stop(self) -> None:
        """Disconnect; harmless when repeated or never started."""
        await self.link.stop()

    async def fetch(self, wants: Sequence[Want]) -> Sequence[Answer]:
        """Answer from memory; FeedTroubleError if nothing new has come and the connection has been down for long."""
        if not self.inbox.recent.has_news(wants):
            self.link.check()
            self.inbox.check()
        return [Answer(want, self.inbox.recent.answer(want)) for want in wants]
