"""The settings of the feed ``http_json``, and the addresses made from them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from string import Formatter
from typing import TYPE_CHECKING, Self
from urllib.parse import parse_qsl, quote, urlsplit

import httpx
from pydantic import AwareDatetime, Field, field_validator, model_validator

from adapters.feeds.http.headers import SentSettings
from adapters.feeds.json_rows import FACTORS, JmesPath, JsonSettings, nanoseconds_of
from adapters.feeds.secrets import refuse_secrets
from scanner.events import rfc3339

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from scanner.ports import FeedLimits

PLACEHOLDERS = ("symbol", "symbols", "timeframe", "since", "limit", "next")
UNITS = (*FACTORS, "rfc3339")


class HttpJsonSettings(JsonSettings, SentSettings):
    """The settings of the feed ``http_json``."""

    url: str = Field(
        description="the address; in it and in query, {symbol} or {symbols}, {timeframe}, {since}, {limit} and {next} "
        "are filled in; {since:s}, {since:ms}, {since:us}, {since:ns}, {since:rfc3339} say how the time is "
        "written"
    )
    query: dict[str, str] = Field(
        default_factory=dict,
        description="parts of the query; one with {since} or {next} is left out if it has no value; no secrets here",
    )
    limit: int = Field(
        500,
        ge=3,
        description="bars per request, {limit} in the address; with fewer than three, a server that starts with known "
        "bars would never reach new ones",
    )
    earliest: AwareDatetime | None = Field(
        None,
        description="the start time of the first request for a series; by default as early as its rules need",
    )
    groups: JmesPath | None = Field(
        None,
        description="where the instruments of a joint answer are: an object by symbol, or a list; each has rows",
    )
    symbol: JmesPath | None = Field(None, description="where a row, or a group, of a joint answer names its instrument")
    symbols_per_request: int = Field(500, ge=1, description="instruments per request, where that is possible")
    symbols_joined_by: str = Field(",", description="the separator of the symbols in {symbols}")
    next: JmesPath | None = Field(
        None,
        description="where an answer gives the address of its next page, or the token for {next}",
    )
    most_pages: int = Field(20, ge=1, description="most pages of one answer")
    timeout: float = Field(10.0, gt=0, description="seconds to wait for one whole answer")
    largest_answer: int = Field(16 << 20, ge=1, description="most bytes of an answer")
    content_type: str = Field("json", description="text that the content type of an answer must contain")

    @property
    def earliest_time(self) -> int | None:
        """The earliest time in nanoseconds since 1970 UTC."""
        return None if self.earliest is None else nanoseconds_of(self.earliest)

    @property
    def limits(self) -> FeedLimits:
        """How the feed wants to be asked; an answer may take as long as all pages, for new and known series in turn."""
        turn = 60 * self.at_once / self.requests_per_minute if self.requests_per_minute else 0.0
        pages = 2 * (self.most_pages if self.next else 1)
        return replace(super().limits, answer_within=pages * (self.timeout + turn))

    def has(self, placeholder: str) -> bool:
        """Say whether the address or the query has a placeholder."""
        return any(placeholder in _placeholders(text) for text in (self.url, *self.query.values()))

    @property
    def one_by_one(self) -> bool:
        """Whether a request asks for one instrument alone."""
        return self.has("symbol")

    @field_validator("url")
    @classmethod
    def _is_address(cls, value: str) -> str:
        try:
            url = httpx.URL(value)
        except httpx.InvalidURL as problem:
            raise ValueError(f"it is not an address ({problem})") from None
        refuse_secrets("part of the query", parse_qsl(urlsplit(value).query), "secret_query")
        _placeholders(value)
        if url.scheme not in {"http", "https"} or not url.host:
            raise ValueError("it must begin with https:// or http:// and the name of a server")
        if url.userinfo:
            raise ValueError("an address must not contain a password; give it in secret_headers.Authorization")
        return value

    @field_validator("query")
    @classmethod
    def _is_query(cls, value: dict[str, str]) -> dict[str, str]:
        refuse_secrets("part of the query", value.items(), "secret_query")
        for text in value.values():
            _placeholders(text)
        return value

    @model_validator(mode="after")
    def _fit_together(self) -> Self:
        if self.has("symbol") and self.has("symbols"):
            raise ValueError("the address has both {symbol} and {symbols}; keep the one that the endpoint supports")
        if self.one_by_one and (self.groups or self.symbol):
            raise ValueError("groups and symbol are for joint answers; with {symbol} in the address, leave them out")
        if not self.one_by_one and not self.groups and not self.symbol:
            raise ValueError(
                "the address has no {symbol}: set symbol or groups to where an answer names its instruments"
            )
        if "since" in _placeholders(self.url) and self.earliest is None:
            raise ValueError("{since} in url always needs a time: move it to query, or set earliest")
        if self.has("next") and not self.next:
            raise ValueError("{next} is in the address: set next to where an answer gives it")
        return self


def _placeholders(text: str) -> set[str]:
    """Find the placeholders in a text; ValueError if one is unknown."""
    found = set()
    for _, name, unit, conversion in Formatter().parse(text):
        if name is None:
            continue
        if name not in PLACEHOLDERS or conversion or (unit and (name != "since" or unit not in UNITS)):
            known = ", ".join(f"{{{each}}}" for each in PLACEHOLDERS)
            raise ValueError(f"{text!r} has an unknown placeholder {{{name}}}; known are {known}")
        found.add(name)
    return found


@dataclass(frozen=True, slots=True)
class Moment:
    """A time that a template writes in its own unit, or in the default one."""

    nanoseconds: int
    unit: str

    def __format__(self, unit: str) -> str:
        """Write the time, rounded down to its unit."""
        unit = unit or self.unit
        return rfc3339(self.nanoseconds) if unit == "rfc3339" else str(self.nanoseconds // FACTORS[unit])


def address(
    settings: HttpJsonSettings, symbols: Sequence[str], timeframe: str, since: Moment | None, token: str | None
) -> httpx.URL:
    """Fill in the template."""
    plain = {"timeframe": timeframe, "limit": settings.limit, "since": since, "next": token}
    lone, joint = symbols[0], settings.symbols_joined_by
    in_url = "symbols" in _placeholders(settings.url)
    quoted = {
        "symbol": quote(lone, safe=""),
        # Thousands of them take a while, and are seldom there.
        "symbols": joint.join(quote(each, safe="") for each in (symbols if in_url else ())),
        "timeframe": quote(timeframe, safe=""),
        "next": quote(token or "", safe=""),
    }
    missing = {name for name in ("since", "next") if plain[name] is None}
    in_query: Mapping[str, object] = plain | {"symbol": lone, "symbols": joint.join(symbols)}
    query = {
        name: template.format_map(in_query)
        for name, template in settings.query.items()
        if not missing & _placeholders(template)
    }
    return httpx.URL(settings.url.format_map(plain | quoted)).copy_merge_params(query)
