"""The user's decisions and notes on setups: kept for good, also beside a running station."""

from __future__ import annotations

import json
from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING, Any, Literal

from scanner.events import KINDS
from scanner.store.packing import checksum_of
from scanner.store.series import SeriesKey
from scanner.store.trouble import DamagedError

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Callable, Collection, Sequence

    from scanner.store.database import Database

Decided = Literal["take", "pass", "leave", "note"]

KEPT = ("thread", "kind", "price", "size", "text", "after", "bar", "made")
"""The columns of a decision covered by its checksum, in this order."""
OF_DECISION = ", ".join(f"d.{name}" for name in ("number", *KEPT, "checksum"))
"""The columns for ``decision_of``."""
DECISION = f"SELECT {OF_DECISION} FROM decision d"  # noqa: S608 - our words


@dataclass(frozen=True, slots=True)
class KeptDecision:
    """One decision on the setup whose events share ``thread``.

    ``price`` and ``size`` are the user's own, None if not given; ``text`` is the reason or the note, empty without one.
    ``after`` is the number of the last event of that thread when it was made, ``bar`` the close of the last bar of its
    series then, 0 if unknown, and ``made`` the time (nanoseconds since 1970 UTC).
    """

    number: int
    thread: str
    kind: Decided
    price: Decimal | None
    size: Decimal | None
    text: str
    after: int
    bar: int
    made: int


class DecisionRefusedError(Exception):
    """A decision that contradicts earlier ones or the state of the setup; the message says why."""


class DecidedMeanwhileError(Exception):
    """A decision was made while bars after it were judged; they must be judged again."""


class Decisions:
    """All decisions, in the order in which they were made."""

    def __init__(self, database: Database, clock: Callable[[], int]) -> None:
        self._database = database
        self._clock = clock

    def add(
        self, thread: str, kind: Decided, *, price: Decimal | None = None, size: Decimal | None = None, text: str = ""
    ) -> KeptDecision:
        """Keep a decision, durably; DecisionRefusedError if it contradicts the store, and nothing is kept.

        Until the next bar of the series, a wrong price or size may be given again: the later one counts.
        """
        now = self._clock()
        with self._database.writing() as connection:
            last = connection.execute(
                "SELECT number, kind FROM event WHERE thread = ? AND thread != '' ORDER BY number DESC LIMIT 1",
                (thread,),
            ).fetchone()
            if last is None:
                raise DecisionRefusedError("its events are no longer in the store")
            rows = connection.execute(f"{DECISION} WHERE thread = ? ORDER BY number", (thread,)).fetchall()
            before = list(map(decision_of, rows))
            after, last_kind = last
            (bar,) = connection.execute(
                "SELECT max(s.last_close) FROM event e JOIN series s ON s.id = e.series WHERE e.thread = ?", (thread,)
            ).fetchone()
            wrong = _replaced(kind, price, size, before, bar)
            kinds = {each.kind for each in before if wrong is None or each.kind != kind}
            if why := refusal(kind, kinds, ended=KINDS[last_kind].ends):
                raise DecisionRefusedError(why)
            if kind == "note" and any(each.kind == "note" and each.text == text for each in before):
                raise DecisionRefusedError("this note exists already, word for word")
            if wrong is not None:  # what is not given again stays
                price, size, text = (wrong.price if price is None else price), size or wrong.size, text or wrong.text
            kept = (thread, kind, _text(price), _text(size), text, after, bar or 0, now)
            row = connection.execute(
                f"INSERT INTO decision ({', '.join(KEPT)}, checksum) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",  # noqa: S608 - our words
                (*kept, checksum_of(kept)),
            )
            return KeptDecision(row.lastrowid or 0, thread, kind, price, size, text, after, bar or 0, now)

    def after(self, number: int = 0) -> list[tuple[SeriesKey, KeptDecision]]:
        """Give those made after the one of a number, oldest first, each with the series of its setup."""
        with self._database.reading() as connection:
            rows = connection.execute(
                f"SELECT e.data, {OF_DECISION} FROM decision d "  # noqa: S608 - our words
                "JOIN event e ON e.id = d.thread WHERE d.number > ? ORDER BY d.number",
                (number,),
            ).fetchall()
        return [(_series(data), decision_of(columns)) for data, *columns in rows]

    def check_heard(self, connection: sqlite3.Connection, last: int, keys: Collection[SeriesKey]) -> None:
        """Raise DecidedMeanwhileError if a setup of one of some series was taken or left after decision ``last``.

        No other decision changes the events.
        """
        later = (
            "SELECT e.data FROM decision d JOIN event e ON e.id = d.thread "
            "WHERE d.number > ? AND d.kind IN ('take', 'leave')"
        )
        if any(_series(data) in keys for (data,) in connection.execute(later, (last,))):
            raise DecidedMeanwhileError

    def on(self, thread: str) -> list[KeptDecision]:
        """Give the decisions on a setup, the oldest first."""
        return self._some("thread = ?", (thread,))

    def taken(self, threads: Collection[str]) -> set[str]:
        """Give those of some threads whose setup was taken."""
        which = "kind = 'take' AND thread IN (SELECT value FROM json_each(?))"
        return {each.thread for each in self._some(which, (json.dumps(list(threads)),))}

    def all(self) -> list[KeptDecision]:
        """Give all decisions, the oldest first."""
        return self._some("true", ())

    def _some(self, which: str, values: Sequence[object]) -> list[KeptDecision]:
        with self._database.reading() as connection:
            rows = connection.execute(f"{DECISION} WHERE {which} ORDER BY number", values).fetchall()
            return list(map(decision_of, rows))


def refusal(kind: Decided, before: Collection[Decided], *, ended: bool) -> str:
    """Say what rules out a decision, given those made ``before``; empty if nothing does.

    A setup that was passed may still be taken. Once its story has ``ended``, the only decision is that the user left
    it, for example to give the price at which a stop was filled; a note is always allowed.
    """
    if kind == "note":
        return ""
    if ended and kind != "leave":
        return "its story has ended; only a note can be added"
    if kind == "leave" and "take" not in before:
        return "it was not taken, so there is nothing to leave"
    if kind == "pass" and "take" in before:
        return "it was taken, so it cannot be passed; once you are out of it, say that you left it"
    if kind in before:
        done = {"take": "taken", "pass": "passed", "leave": "left"}[kind]
        return f"it was {done} already; to add something, keep a note"
    return ""


def _replaced(
    kind: Decided, price: Decimal | None, size: Decimal | None, before: Sequence[KeptDecision], bar: int | None
) -> KeptDecision | None:
    """Find the decision that another price or size replaces; None if there is none, or neither is given.

    The same price and size again replace nothing, so that a message may arrive twice.
    """
    earlier = [each for each in before if each.kind == kind]
    has_left = kind == "take" and any(each.kind == "leave" for each in before)
    if kind not in {"take", "leave"} or not earlier or earlier[-1].bar != bar or has_left:
        return None
    told = [(each.price if price is None else price, size or each.size) for each in earlier]
    return None if any(now == (each.price, each.size) for now, each in zip(told, earlier, strict=True)) else earlier[-1]


def decision_of(columns: Sequence[Any]) -> KeptDecision:
    """Make a decision from a row of DECISION; DamagedError if it is not what was written."""
    number, *kept, checksum = columns
    thread, kind, price, size, text, after, bar, made = kept
    if checksum_of(kept) != checksum:
        raise DamagedError(f"decision {number} is not as it was written")
    return KeptDecision(number, thread, kind, _decimal(price), _decimal(size), text, after, bar, made)


def _series(data: str) -> SeriesKey:
    setup = json.loads(data)
    return SeriesKey(setup["instrument"], setup["timeframe"])


def _text(value: Decimal | None) -> str | None:
    return None if value is None else f"{value:f}"


def _decimal(text: str | None) -> Decimal | None:
    return None if text is None else Decimal(text)
