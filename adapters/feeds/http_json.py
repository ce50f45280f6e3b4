"""The feed ``http_json``: any HTTP endpoint that answers with bars in JSON."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING
from urllib.parse import urljoin

import httpx
import numpy as np

from adapters.answers import hidden
from adapters.feeds.http.answer import JsonEndpoint, where
from adapters.feeds.http.settings import HttpJsonSettings, Moment, address
from adapters.feeds.json_rows import Place, RowReader, shown
from adapters.feeds.pushed.link import REAL
from adapters.feeds.raw_rows import copied, joined_pages, no_rows, unreadable_row
from scanner.market.bars import NO_TIME
from scanner.ports import Answer, FeedTroubleError

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from adapters.feeds.json_rows import Columns
    from adapters.feeds.pushed.link import Outside
    from scanner.market.bars import RawBars
    from scanner.ports import Want


@dataclass(frozen=True, slots=True)
class _Question:
    """One request: wants that share a timeframe, and where its answer continues."""

    wants: Sequence[Want]
    timeframe: str
    since: int | None
    token: str | None = None
    url: httpx.URL | None = None


_Part = tuple["RawBars", slice | None]
"""Rows of one symbol, as in ``Answer``: a table, and which of its rows, all if that is None."""


class HttpJsonFeed:
    """Asks an endpoint for bars of one series at a time, or of many that share a timeframe.

    ``show_body`` shows what the server writes, which may contain secrets.
    """

    Settings = HttpJsonSettings
    arrived: asyncio.Event | None = None

    def __init__(
        self,
        settings: HttpJsonSettings,
        *,
        outside: Outside = REAL,
        show_body: bool = False,
    ) -> None:
        self.batch = 1 if settings.one_by_one else settings.symbols_per_request
        self.settings = settings
        self.limits = settings.limits
        self._endpoint = JsonEndpoint(settings, outside, show_body=show_body)
        by_row = settings.symbol is not None and settings.groups is None and not settings.one_by_one
        safe = str if self._endpoint.shows else hidden
        self._reader = RowReader(settings, {"symbol": str(settings.symbol)} if by_row else None, safe)
        self._symbol = None if settings.symbol is None else Place(settings.symbol)
        self._groups = None if settings.groups is None else Place(settings.groups)
        self._next = None if settings.next is None else Place(settings.next)

    async def start(self) -> None:
        """Prepare; raises FeedTroubleError for headers that cannot be sent."""
        self._endpoint.start()

    async def stop(self) -> None:
        """Close all connections; harmless when repeated or never started."""
        await self._endpoint.stop()

    async def fetch(self, wants: Sequence[Want]) -> Sequence[Answer]:
        """Ask for each want, together if the endpoint can; raises FeedTroubleError."""
        answers: dict[Want, Answer] = {}
        for question in self._questions(wants):
            answers |= await self._answered(question)
        return [answers[want] for want in wants]

    def _questions(self, wants: Sequence[Want]) -> Iterator[_Question]:
        alike: dict[tuple[str, bool], list[Want]] = {}
        for want in wants:
            alike.setdefault((want.timeframe, want.since is None), []).append(want)
        for (timeframe, _), those in alike.items():
            for begin in range(0, len(those), self.batch):
                part = those[begin : begin + self.batch]
                times = [time for want in part if (time := self._since(want)) is not None]
                yield _Question(part, timeframe, min(times) if len(times) == len(part) else None)

    def _since(self, want: Want) -> int | None:
        """Give the start time of a request; None for all there is."""
        known = (want.since, self.settings.earliest_time, want.enough_from)
        return next((time for time in known if time is not None), None)

    async def _answered(self, question: _Question) -> dict[Want, Answer]:
        """Ask page after page."""
        begin = self._address(question)
        source = where(begin)
        pages: list[dict[str, _Part]] = []
        row = 0
        following: _Question | None = question
        while following is not None:
            if len(pages) == self.settings.most_pages:
                raise FeedTroubleError(
                    f"{source}: the answer has more than {self.settings.most_pages} pages; "
                    "raise limit or most_pages, or set earliest"
                )
            url = begin if following is question else following.url or self._address(following)
            value = await self._endpoint.ask(url, source)
            # A large one takes a while, which others must not wait for.
            page, rows = await asyncio.to_thread(self._page, value, question, source, row)
            row += rows
            pages.append(page)
            following = self._following(following, url, value, source)
        nothing = no_rows(source, self.settings.stamp)
        if len(pages) == 1:
            return {want: Answer(want, *pages[0].get(want.symbol, (nothing, None))) for want in question.wants}
        return {
            want: Answer(
                want, joined_pages([_own(page[want.symbol]) for page in pages if want.symbol in page], nothing)
            )
            for want in question.wants
        }

    def _address(self, question: _Question) -> httpx.URL:
        settings = self.settings
        symbols = list(dict.fromkeys(want.symbol for want in question.wants))
        since = None if question.since is None else Moment(question.since, settings.time_unit)
        timeframe = settings.timeframe_there(question.timeframe)
        return address(settings, symbols, timeframe, since, question.token)

    def _following(self, question: _Question, url: httpx.URL, value: object, source: str) -> _Question | None:
        """Find out how to ask for the next page; None if this was the last."""
        found = None if self._next is None else self._next.find(value)
        if not found:
            return None
        told = self._endpoint.told
        if not isinstance(found, str | int | float):
            what = shown(found, told)
            raise FeedTroubleError(f"{source}: its next page is neither a text nor a number, but {what}; check next")
        if self.settings.has("next"):
            if str(found) == question.token:
                raise FeedTroubleError(
                    f"{source}: the page {told(str(found), 200)} names itself as its next page; check next"
                )
            following = replace(question, token=str(found))
            try:
                self._address(following)
            except (httpx.InvalidURL, ValueError):
                raise FeedTroubleError(
                    f"{source}: its next page, {told(str(found), 200)}, fits no address; check next"
                ) from None
            return following
        try:
            onward = httpx.URL(urljoin(str(url), str(found)))
        except (httpx.InvalidURL, ValueError):
            onward = url
        query = self.settings.without_secrets(onward.query.decode())
        onward = onward.copy_with(query=query.encode() or None)
        # Headers and query may hold secrets: they go to no other server.
        if onward == url or (onward.scheme, onward.netloc) != (url.scheme, url.netloc):
            raise FeedTroubleError(
                f"{source}: its next page, {told(str(found), 200)}, is not another page of this server; check next"
            )
        return replace(question, url=onward)

    def _page(self, value: object, question: _Question, source: str, row: int) -> tuple[dict[str, _Part], int]:
        """Give the bars of one page by symbol, and how many rows they are."""
        misfits: dict[str, str] = {}
        try:
            if self._groups is None:
                columns = self._reader.columns(value)
            else:
                columns, misfits = self._grouped(self._groups.find(value))
        except ValueError as problem:
            raise FeedTroubleError(f"{source}: the rows do not match ({problem}); check rows and fields") from None
        if columns is None:
            path = "rows" if self._groups is None else "groups"
            raise FeedTroubleError(
                f"{source}: the answer has no rows where {path} points; check {path} in the settings of the feed"
            )
        raw = self._reader.bars(columns, source, row)
        if self.settings.one_by_one:
            return {question.wants[0].symbol: (_oldest_first(raw), None)}, len(raw)
        at = _runs(columns["symbol"])
        if at and not any(want.symbol in at or want.symbol in misfits for want in question.wants):
            raise FeedTroubleError(
                f"{source}: none of the {len(raw)} rows is for a requested instrument; "
                f"the first is of {self._endpoint.told(next(iter(at)))}; check symbol"
            )
        page: dict[str, _Part] = {}
        rows, sound, stamp = 0, replace(raw, unreadable={}), raw.stamp
        for symbol in {want.symbol: None for want in question.wants}:
            if symbol in misfits:
                # It must not hide the others: the guard refuses a row of it, and says why.
                number = row + len(raw) + len(page)
                page[symbol] = unreadable_row(misfits[symbol], number, source, self.settings.stamp), None
                rows += 1
            elif symbol in at:
                first, *others = at[symbol]
                rows += sum(part.stop - part.start for part in at[symbol])
                in_order = stamp.item(first.start) <= stamp.item(first.stop - 1)
                if others or not in_order or raw.unreadable:
                    parts = [np.arange(part.start, part.stop) for part in at[symbol]]
                    own = _oldest_first(copied(raw, np.concatenate(parts)))
                    page[symbol] = own, None
                else:
                    page[symbol] = sound, first
        return page, rows

    def _grouped(self, groups: object) -> tuple[Columns | None, dict[str, str]]:
        """Join the rows of all groups, each with the symbol of its group.

        Also says by symbol why the rows of a group do not match.
        """
        if isinstance(groups, dict):
            names, members = list(groups), list(groups.values())
        elif isinstance(groups, list) and self._symbol is not None:
            names, members = [], groups
        else:
            return None, {}
        symbols = names if self._symbol is None else self._symbol.column(members)
        columns, counts, misfits = self._reader.columns_of_many(members)
        if members and not misfits and all(count is None for count in counts):
            return None, {}
        columns["symbol"] = [symbol for symbol, count in zip(symbols, counts, strict=True) for _ in range(count or 0)]
        return columns, {_name(symbols[index]): problem for index, problem in misfits.items()}


def _name(symbol: object) -> str:
    """Read a symbol, which may also be a number; empty if it is neither."""
    return str(symbol) if isinstance(symbol, str | int | float) else ""


def _oldest_first(raw: RawBars) -> RawBars:
    """Reverse rows that are sorted newest first, as from many servers; others stay as sent."""
    if len(raw) <= 1 or raw.stamp.item(0) <= raw.stamp.item(-1):
        return raw
    times = raw.stamp[raw.stamp != NO_TIME]
    return raw[np.arange(len(raw))[::-1]] if bool((times[1:] < times[:-1]).all()) else raw


def _runs(symbols: list[object]) -> dict[str, list[slice]]:
    """Find the rows of each symbol, which are mostly consecutive."""
    edges = [index for index, (one, other) in enumerate(pairwise(symbols), 1) if one != other]
    runs: dict[str, list[slice]] = {}
    for begin, end in pairwise([0, *edges, len(symbols)] if symbols else []):
        runs.setdefault(_name(symbols[begin]), []).append(slice(begin, end))
    return runs


def _own(part: _Part) -> RawBars:
    table, shared = part
    return table if shared is None else table[shared]
