"""The two protocols for the outside: a feed gives bars, a sink takes events."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple, Protocol, TypeVar, runtime_checkable

if TYPE_CHECKING:
    import asyncio
    from collections.abc import Awaitable, Mapping, Sequence
    from pathlib import Path

    from scanner.clocks import Clock
    from scanner.event_data import SetupData
    from scanner.events import Event
    from scanner.market.bars import RawBars, StampKind

T = TypeVar("T")


class OutsideError(Exception):
    """The other side failed; ``retry_after`` is the number of seconds that it asked us to wait, if it did."""

    def __init__(self, message: str, retry_after: float | None = None) -> None:
        super().__init__(message)
        # Anything but a number fails here, in the adapter that read it, and not where the waiting is done.
        self.retry_after = None if retry_after is None else float(retry_after)


class FeedTroubleError(OutsideError):
    """A feed could not answer; the message is one sentence that says what, where and what to do."""


class DeliveryError(OutsideError):
    """A sink could not deliver this time; a later retry may help."""


class PartlyDeliveredError(DeliveryError):
    """Some of the receivers of a sink have the event, and a later retry, which leaves these out, may reach the others.

    Until then the event counts as sent for all that depends on it, so that one receiver who fails delays no other.
    """


class DeliveryRefusedError(DeliveryError):
    """A sink will never accept this event as it is; a retry is useless."""


async def contained(call: Awaitable[T]) -> T:
    """Await what an adapter does, so that it cannot end more than itself.

    Anything else than an Exception becomes one: a library below an adapter may raise an exit, or a cancellation that
    is not ours.
    """
    import asyncio  # noqa: PLC0415 - a replay imports this module, and awaits nothing

    try:
        return await call
    except (Exception, KeyboardInterrupt):
        raise
    except BaseException as problem:
        task = asyncio.current_task()
        if task is not None and task.cancelling():
            raise
        raise RuntimeError(f"it raised {problem!r}, which no adapter may") from problem


class Want(NamedTuple):
    """A question to a feed: the bars of ``symbol`` on ``timeframe`` that opened at or after ``since``.

    ``symbol`` is the feed's own name for the instrument; ``since`` is in nanoseconds since 1970 UTC, None for
    as much history as the feed will give. Then ``enough_from`` may give the opening from which there would be
    enough of it; a feed that limits the bars of an answer begins there, and is asked again from the last one.
    """

    symbol: str
    timeframe: str
    since: int | None
    enough_from: int | None = None


@dataclass(frozen=True, slots=True)
class Answer:
    """What a feed has for one want: rows in the order sent, perhaps none, perhaps more than was asked for.

    If answers share a ``table``, of which every row could be read, ``shared`` gives the rows of this one, so that
    thousands of answers can be taken in together. If it is None, all rows are.
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


@dataclass(frozen=True, slots=True)
class FeedLimits:
    """How a feed wants to be asked; times in seconds."""

    settle: float = 2.0
    """From the close of a bar to the first request for it."""

    patience: float = 120.0
    """From the close of a bar until the feed is late without it."""

    at_once: int = 4
    """Requests that may be under way at the same time."""

    requests_per_minute: float | None = None
    """None for as many as are needed."""

    answer_within: float = 30.0
    """After that a request is given up."""


@runtime_checkable
class Limited(Protocol):
    """A feed, or the settings of one that takes its limits from there; the page knows only these."""

    @property
    def limits(self) -> FeedLimits:
        """Give how it wants to be asked."""


class Feed(Limited, Protocol):
    """Gives bars on request. Touches nothing before ``start``.

    Its class has ``Settings``, a pydantic model with ``extra="forbid"``, and is made with one.
    """

    batch: int
    """How many wants one call of ``fetch`` may have; 1 if the feed is asked for one at a time."""

    arrived: asyncio.Event | None
    """Set by a feed that receives messages, whenever there are new bars; None on other feeds."""

    async def start(self) -> None:
        """Connect; raises FeedTroubleError."""

    async def stop(self) -> None:
        """Release everything; harmless when repeated or never started."""

    async def fetch(self, wants: Sequence[Want]) -> Sequence[Answer]:
        """Answer each want; may include the bar that is still open; raises FeedTroubleError."""


class Played(NamedTuple):
    """A recording that is being played: its clock, and its last time in nanoseconds since 1970 UTC."""

    clock: Clock
    end: int


@runtime_checkable
class PlayedFeed(Protocol):
    """What a feed that plays a recording has besides ``Feed``: the station that it belongs to lives in its time."""

    def play(self) -> Played:
        """Read the recording and start to play it, unless it is being played; raises FeedTroubleError."""


@dataclass(frozen=True, slots=True)
class Notes:
    """What is added to an alert of a setup when it is sent, and is not part of the event.

    ``risk`` are sentences on what else is open; ``record`` is one on the results of setups of its kind so far, empty if
    there is nothing to say. ``setup`` is, for an event that follows a setup, the latest version of that setup, None if
    it is no longer known.
    """

    risk: tuple[str, ...] = ()
    record: str = ""
    setup: SetupData | None = None


@dataclass(frozen=True, slots=True)
class Message:
    """An event on its way to a sink.

    ``picture`` is the PNG chart of the setup, if the sink asked for pictures and one could be drawn. ``late`` says that
    the moment to act passed while the event was waiting to be sent.
    """

    event: Event
    picture: bytes | None = None
    late: bool = False
    notes: Notes = Notes()


class Sink(Protocol):
    """Delivers events to a person or a program. Its class has ``Settings`` and is made like that of a feed."""

    wants_pictures: bool

    digests: bool
    """Whether several messages handed over together are sent as one, which arrives whole or not at all."""

    at_once: int
    """How many deliveries may be under way at the same time; 1 if they go one by one."""

    async def start(self) -> None:
        """Connect if connections are kept, and check that the other side accepts us; raises DeliveryError.

        Called again whenever that is in doubt.
        """

    async def stop(self) -> None:
        """Release everything; harmless when repeated or never started."""

    async def deliver(self, messages: Sequence[Message]) -> None:
        """Hand over one message, or a digest of several, and return once the other side has it.

        Raises DeliveryError if a retry may succeed, PartlyDeliveredError if some receivers have it already, and
        DeliveryRefusedError if a retry never will.
        """


class Decider(Protocol):
    """Records decisions that the user sends as messages. Its methods may be called in a thread, and raise nothing."""

    def answer(self, message: bytes) -> bytes:
        """Do what a message asks, and give the answer to send."""

    def refuse(self, message: bytes, why: str) -> bytes:
        """Give the answer to a message that is ignored; ``why`` is a sentence."""

    def tell(self, trouble: str) -> None:
        """Note in a sentence why decisions are not received; to be called in the event loop's thread."""


@runtime_checkable
class Hearing(Protocol):
    """A sink that can also receive the user's decisions."""

    hears: bool
    """Whether its settings ask for that."""

    def hear(self, decider: Decider) -> None:
        """Pass what arrives to ``decider`` while the sink is started; to be called before the start."""

    async def try_hearing(self) -> None:
        """Check that decisions could be received; DeliveryError says why not."""


@dataclass(frozen=True, slots=True)
class UnderstoodFile:
    """How a file of recorded bars was understood.

    ``columns`` has the names of the columns that were read by their content, ``unused`` those of the others.
    ``decimal`` is the decimal mark, ``currency`` the one beside prices, ``time_format`` the format of times that are
    not in a standard form, and ``zone`` their time zone; they are empty if there is none. ``open_end`` says that its
    last line has no end, and so may be cut off.
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
