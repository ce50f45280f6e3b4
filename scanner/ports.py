"""The two protocols by which the outside is reached: a feed gives bars, a sink takes events."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple, Protocol, runtime_checkable

if TYPE_CHECKING:
    import asyncio
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from scanner.event_data import SetupData
    from scanner.events import Event
    from scanner.market.bars import RawBars, StampKind


class FeedTroubleError(Exception):
    """A feed could not answer; the message is one sentence that says what, where and what to do.

    ``retry_after`` is the number of seconds the other side asked us to wait, if it did.
    """

    def __init__(self, message: str, retry_after: float | None = None) -> None:
        super().__init__(message)
        self.retry_after = retry_after


class DeliveryError(Exception):
    """A sink could not deliver this time; trying again later may help.

    ``retry_after`` is the number of seconds the other side asked us to wait, if it did.
    """

    def __init__(self, message: str, retry_after: float | None = None) -> None:
        super().__init__(message)
        self.retry_after = retry_after


class DeliveryRefusedError(DeliveryError):
    """A sink will never take this event as it is; trying again is useless."""


class Want(NamedTuple):
    """A question to a feed: the bars of ``symbol`` on ``timeframe`` that opened at or after ``since``.

    ``symbol`` is the feed's own name for the instrument; ``since`` is in nanoseconds since 1970 UTC, None for
    as much history as the feed will give. Then ``enough_from`` may tell from which opening on there would be enough
    of it; a feed that gives so many bars at a time and no more begins there, and is asked on from the last one.
    """

    symbol: str
    timeframe: str
    since: int | None
    enough_from: int | None = None


@dataclass(frozen=True, slots=True)
class Answer:
    """What a feed has for one want: rows in the order sent, perhaps none, perhaps more than was asked for.

    Where answers share a ``table``, of which every row could be read, ``shared`` says which rows are those of this one:
    thousands that come together are then taken in together. All of its rows are, where that is None.
    """

    want: Want
    table: RawBars
    shared: slice | None = None

    @property
    def bars(self) -> RawBars:
        """The rows of this answer."""
        return self.table if self.shared is None else self.table[self.shared]

    def __len__(self) -> int:
        """Count them."""
        return len(self.table) if self.shared is None else self.shared.stop - self.shared.start


class Feed(Protocol):
    """Gives bars when asked. Built from its own settings; touches nothing before ``start``.

    Where it keeps them as ``settings``, the service goes by what they say under ``settle``, ``patience``, ``at_once``
    and ``requests_per_minute``.
    """

    batch: int
    """How many wants one call of ``fetch`` may carry; 1 where the feed is asked one by one."""

    arrived: asyncio.Event | None
    """Set by a feed that is pushed to, whenever new bars are there to be asked for; None on other feeds."""

    async def start(self) -> None:
        """Connect; raises FeedTroubleError."""

    async def stop(self) -> None:
        """Let go of everything; harmless when repeated or never started."""

    async def fetch(self, wants: Sequence[Want]) -> Sequence[Answer]:
        """Answer each want; may include the bar that is still open; raises FeedTroubleError."""


@dataclass(frozen=True, slots=True)
class Notes:
    """What goes with an alert of a setup as of the moment it leaves, and is not part of the event.

    ``risk`` are sentences on what else is open; ``record`` is one on what setups of its kind have come to so far, empty
    where nothing is to be said of that. ``setup`` is, of what follows on a setup, that setup as it was said last, None
    where it is not known any more.
    """

    risk: tuple[str, ...] = ()
    record: str = ""
    setup: SetupData | None = None


@dataclass(frozen=True, slots=True)
class Message:
    """An event on its way to a sink.

    ``picture`` is the PNG chart of the setup, where the sink asked for pictures and one could be drawn. ``late``
    says that the moment to act has passed while the event was waiting to leave.
    """

    event: Event
    picture: bytes | None = None
    late: bool = False
    notes: Notes = Notes()


class Sink(Protocol):
    """Takes events to where a person or program reads them. Built from its own settings."""

    wants_pictures: bool

    digests: bool
    """Whether several messages handed over at once go out as one, which arrives whole or not at all."""

    at_once: int
    """How many deliveries may be under way at the same time; 1 where they go one by one."""

    async def start(self) -> None:
        """Connect where that is lasting, and see whether the other side lets us in; raises DeliveryError.

        Asked again whenever that is in doubt.
        """

    async def stop(self) -> None:
        """Let go of everything; harmless when repeated or never started."""

    async def deliver(self, messages: Sequence[Message]) -> None:
        """Hand over one message, or a digest of several, and return once the other side has it.

        Raises DeliveryError when it may go better later, DeliveryRefusedError when it never will.
        """


class Decider(Protocol):
    """Keeps what the user decides in messages. Its methods may be called in a thread, and raise nothing."""

    def answer(self, message: bytes) -> bytes:
        """Do what a message asks for, and give the answer to send."""

    def refuse(self, message: bytes, why: str) -> bytes:
        """Give the answer to a message of which nothing is done; ``why`` is a sentence."""

    def tell(self, trouble: str) -> None:
        """Tell in a sentence why decisions are not heard; to be called in the event loop's thread."""


@runtime_checkable
class Hearing(Protocol):
    """A sink that can also hear what the user decides."""

    hears: bool
    """Whether its settings want that."""

    def hear(self, decider: Decider) -> None:
        """Give what comes to ``decider`` while the sink is started; to be called before the start."""

    async def try_hearing(self) -> None:
        """See whether decisions could be heard; DeliveryError says why not."""


@dataclass(frozen=True, slots=True)
class UnderstoodFile:
    """What was understood of a file of recorded bars.

    ``columns`` has the names of the columns that were read by what they hold, ``unused`` those of the others.
    ``decimal`` is the decimal mark, ``currency`` what prices are marked with, ``time_format`` the format of times that
    are in no standard form, and ``zone`` the one by whose clocks they are read; they are empty where there is none.
    ``open_end`` says that its last line has no end, and so may be cut off.
    """

    path: Path
    form: str
    columns: Mapping[str, str]
    unused: Sequence[str]
    decimal: str
    currency: str
    time_format: str
    stamp: StampKind
    zone: str
    newest_first: bool
    open_end: bool
