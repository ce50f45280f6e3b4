"""The feed ``exchange``: bars from a crypto exchange through the library ccxt."""

from __future__ import annotations

import asyncio
import time
from difflib import get_close_matches
from importlib import import_module
from importlib.util import find_spec
from pkgutil import iter_modules
from typing import TYPE_CHECKING, Any

from pydantic import Field, field_validator

from adapters.feeds.files.trouble import quoted
from adapters.feeds.json_rows import BarFields, JsonSettings, RowReader
from adapters.feeds.settings import FeedSettings
from adapters.retry_after import retry_after
from scanner.ports import Answer, FeedTroubleError

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from scanner.market.bars import RawBars
    from scanner.ports import Want

MILLISECOND = 1_000_000
ROWS = JsonSettings(
    fields=BarFields(time="[0]", open="[1]", high="[2]", low="[3]", close="[4]", volume="[5]"), time_unit="ms"
)
"""The library's form of a bar: a list that begins with the open of the bar in milliseconds since 1970."""


class ExchangeSettings(FeedSettings):
    """The settings of the feed ``exchange``."""

    exchange: str = Field(min_length=1, description="the exchange, by its id in the library ccxt")
    limit: int = Field(500, ge=2, description="bars per request; no more than the exchange gives")
    timeout: float = Field(10.0, gt=0, description="seconds to wait for an answer")

    @field_validator("exchange")
    @classmethod
    def _is_known(cls, name: str) -> str:
        known = installed_exchanges()
        if known and name not in known:
            near = get_close_matches(name.lower(), known, 1)
            meant = f"did you mean {near[0]}?" if near else "ccxt.exchanges lists those that it knows"
            raise ValueError(f'the library ccxt knows no exchange "{name}"; {meant}')
        return name


def installed_exchanges(library: str = "ccxt") -> list[str]:
    """List the exchanges for which the library has a module; none if it is not installed.

    The library is not loaded, which would take a second.
    """
    found = find_spec(library)
    folders = (found.submodule_search_locations or []) if found is not None else []
    return [each.name for each in iter_modules([f"{folder}/async_support" for folder in folders]) if not each.ispkg]


def from_library(name: str, options: dict[str, Any], library: str = "ccxt.async_support") -> Any:  # noqa: ANN401 - no types are published
    """Make one of the installed exchanges; raises FeedTroubleError if the library is not installed."""
    try:
        loaded = import_module(library)  # imported here, since it takes a second and is optional
    except ModuleNotFoundError as problem:
        raise FeedTroubleError(
            "the feed exchange needs the library ccxt; install it with: pip install 'closewatch[crypto]'"
        ) from problem
    return getattr(loaded, name)(options)


class ExchangeFeed:
    """Asks an exchange for bars, one series at a time, no faster than the exchange allows.

    ``make`` makes the exchange from its id and the options of the library; ``clock`` gives seconds since 1970.
    """

    Settings = ExchangeSettings
    batch = 1
    arrived: asyncio.Event | None = None

    def __init__(
        self,
        settings: ExchangeSettings,
        *,
        make: Callable[[str, dict[str, Any]], Any] = from_library,
        clock: Callable[[], float] = time.time,
    ) -> None:
        self.settings = settings
        self.limits = settings.limits
        self._make = make
        self._clock = clock
        self._where = f"exchange {settings.exchange}"
        self._reader = RowReader(ROWS)
        self._exchange: Any = None

    async def start(self) -> None:
        """Ask the exchange what it trades; raises FeedTroubleError."""
        if self._exchange is not None:
            return
        options = {"enableRateLimit": True, "timeout": round(self.settings.timeout * 1_000)}
        self._exchange = await asyncio.to_thread(self._make, self.settings.exchange, options)
        try:
            await self._asked(self._exchange.load_markets())
        except BaseException:
            await self.stop()
            raise

    async def stop(self) -> None:
        """Close all connections; harmless when repeated or never started."""
        exchange, self._exchange = self._exchange, None
        if exchange is not None:
            await exchange.close()

    async def fetch(self, wants: Sequence[Want]) -> Sequence[Answer]:
        """Ask for each want; raises FeedTroubleError."""
        return [Answer(want, await self._answered(want)) for want in wants]

    async def _answered(self, want: Want) -> RawBars:
        exchange, settings = self._exchange, self.settings
        if exchange is None:
            raise FeedTroubleError(f"{self._where}: the feed has not been started; start it first")
        timeframe = settings.timeframe_there(want.timeframe)
        if exchange.timeframes and timeframe not in exchange.timeframes:
            known = ", ".join(exchange.timeframes)
            raise FeedTroubleError(
                f"{self._where}: it has no bars of {timeframe}, but of {known}; set base to one of them"
            )
        since = want.enough_from if want.since is None else want.since
        # Rounded up: a bar that opened at or after a time opened at or after the next millisecond.
        milliseconds = None if since is None else -(-since // MILLISECOND)
        found = await self._asked(exchange.fetch_ohlcv(want.symbol, timeframe, milliseconds, settings.limit))
        columns = self._reader.columns(found)
        if columns is None:
            raise FeedTroubleError(f"{self._where}: its answer for {want.symbol} has no bars; try again later")
        return self._reader.bars(columns, f"{self._where} {want.symbol}")

    async def _asked(self, question: Any) -> Any:  # noqa: ANN401 - the library publishes no types
        """Await an answer; any failure becomes one sentence."""
        from ccxt.base import errors  # noqa: PLC0415 - an optional extra, loaded by now

        after = None
        try:
            return await question
        except (errors.RateLimitExceeded, errors.DDoSProtection) as problem:
            headers = {name.lower(): text for name, text in (self._exchange.last_response_headers or {}).items()}
            after = retry_after(headers.get("retry-after"), self._clock())
            text = f"it is asked too often ({_short(problem)}); lower requests_per_minute"
        except errors.BadSymbol as problem:
            text = f"unknown symbol ({_short(problem)}); write it as the library does, such as ABC/XYZ"
        except errors.RequestTimeout:
            text = f"no answer within {self.settings.timeout:g} s; check the network, or raise timeout"
        except errors.NetworkError as problem:
            text = f"it cannot be reached ({_short(problem)}); check the network; closewatch keeps trying"
        except errors.BaseError as problem:
            text = f"it refuses the request ({_short(problem)}); check symbol and timeframe"
        except (ArithmeticError, AttributeError, LookupError, TypeError, ValueError) as problem:
            # The library parses answers without checking them first.
            text = f"its answer cannot be understood ({_short(problem)}); closewatch keeps trying"
        raise FeedTroubleError(f"{self._where}: {text}", after)


def _short(problem: Exception) -> str:
    return quoted(f"{type(problem).__name__} {problem}", 160).strip('"')
