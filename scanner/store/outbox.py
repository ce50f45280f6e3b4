"""The outbox: which event must still reach which sink."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import orjson

from scanner.store.events import EVENT_COLUMNS, event_of

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterable, Mapping, Sequence

    from scanner.events import Event
    from scanner.store.database import Database

State = Literal["waiting", "delivered", "dead", "dropped"]
"""The state of a delivery: dead ones were refused for good, dropped ones by the user, or by us as useless by now."""


@dataclass(frozen=True, slots=True)
class Delivery:
    """One event for one sink. Times are nanoseconds since 1970 UTC; ``changed`` is when its state last changed."""

    number: int
    sink: str
    event: Event
    state: State
    attempts: int
    next_try: int
    changed: int
    error: str
    late: bool


DELIVERY = (
    "SELECT o.number, o.sink, o.state, o.attempts, o.next_try, o.changed, o.error, o.late, "  # noqa: S608 - our words
    f"{EVENT_COLUMNS} FROM outbox o JOIN event e ON e.number = o.event"
)

# A delivery put off while the clock was ahead is due once the clock is corrected.
DUE = (
    "o.state = 'waiting' AND o.sink = :sink AND (o.next_try <= :now OR o.changed > :now) "
    "AND (o.thread = '' OR NOT EXISTS (SELECT 1 FROM outbox p WHERE p.state = 'waiting' AND p.sink = o.sink "
    "AND p.thread = o.thread AND p.number < o.number AND p.next_try > :now AND p.changed <= :now "
    "AND p.number NOT IN (SELECT value FROM json_each(:sent))))"
)


class Outbox:
    """The deliveries of all events. Rows arrive with the batch of the event, and only change their state here.

    A power cut may lose the last changes: then an event is delivered again, with the same id.
    """

    def __init__(self, database: Database, clock: Callable[[], int]) -> None:
        self._database = database
        self._clock = clock

    def due(self, now: int, sink: str, limit: int, sent: Collection[int] = ()) -> list[Delivery]:
        """Give the deliveries that are due, in the order of the events, those with the numbers ``sent`` last.

        An event waits behind an earlier one of its thread that must wait, unless that is one of ``sent``. If several of
        one thread are returned, the later ones must not be sent before the earlier ones, unless these are.
        """
        values = {"sink": sink, "now": now, "limit": limit, "sent": orjson.dumps(list(sent)).decode()}
        last = "o.number IN (SELECT value FROM json_each(:sent)), " if sent else ""
        return self._some(f"{DUE} ORDER BY {last}o.number LIMIT :limit", values)

    def _some(self, which: str, values: Sequence[object] | Mapping[str, object]) -> list[Delivery]:
        """Give the deliveries ``o`` of events ``e`` that a condition selects, in its order."""
        with self._database.reading() as connection:
            return list(map(_delivery, connection.execute(f"{DELIVERY} WHERE {which}", values)))

    def next_try(self, now: int, sink: str) -> int | None:
        """Say when the next delivery of a sink is due; None if none is waiting."""
        with self._database.reading() as connection:
            (found,) = connection.execute(
                "SELECT min(CASE WHEN changed > :now THEN :now ELSE next_try END) FROM outbox "
                "WHERE state = 'waiting' AND sink = :sink",
                {"sink": sink, "now": now},
            ).fetchone()
        return None if found is None else int(found)

    def sinks_of(self, threads: Collection[str]) -> dict[str, set[str]]:
        """Give the sinks to which anything of some threads was sent, or will be; threads without any are left out."""
        found: dict[str, set[str]] = {}
        with self._database.reading() as connection:
            for thread, sink in connection.execute(
                "SELECT DISTINCT thread, sink FROM outbox WHERE thread IN (SELECT value FROM json_each(?))",
                (orjson.dumps(list(threads)).decode(),),
            ):
                found.setdefault(thread, set()).add(sink)
        return found

    def delivered(self, numbers: Iterable[int], *, late: Collection[int] = ()) -> None:
        """Mark deliveries as done; ``late`` are those that were sent after the moment to act."""
        change = "state = 'delivered', attempts = attempts + 1, error = '', late = late OR ?"
        self._mark(change, [(number in late, number) for number in numbers])

    def failed(self, numbers: Iterable[int], next_try: int, error: str) -> None:
        """Mark deliveries as failed this time; they are retried at ``next_try``."""
        self._mark("attempts = attempts + 1, next_try = ?, error = ?", [(next_try, error, each) for each in numbers])

    def dead(self, numbers: Iterable[int], error: str) -> None:
        """Note deliveries as refused for good: the sink will never take them as they are."""
        self._mark("state = 'dead', attempts = attempts + 1, error = ?", [(error, number) for number in numbers])

    def _mark(self, change: str, rows: Sequence[tuple[object, ...]]) -> None:
        """Change waiting deliveries; a row has the values of the change and then the number."""
        if not rows:
            return
        now = self._clock()
        with self._database.writing(durable=False) as connection:
            connection.executemany(
                f"UPDATE outbox SET {change}, changed = ? WHERE number = ? AND state = 'waiting'",  # noqa: S608 - our words
                [(*values, now, number) for *values, number in rows],
            )

    def list(self, states: Collection[State] = (), sink: str | None = None) -> list[Delivery]:
        """List deliveries, oldest first: in some states (any when empty), of one sink or all."""
        marks = ", ".join("?" * len(states))
        which = f"(? OR o.state IN ({marks})) AND (? IS NULL OR o.sink = ?) ORDER BY o.number"
        return self._some(which, (not states, *states, sink, sink))

    def of_event(self, event: str) -> Sequence[Delivery]:
        """Give the deliveries of an event, by its id."""
        return self._some("e.id = ? ORDER BY o.number", (event,))

    def sent_with(self, delivery: Delivery) -> int:
        """Count the others sent to the same sink in the same message as one that was: they were marked at once."""
        with self._database.reading() as connection:
            (together,) = connection.execute(
                "SELECT count(*) FROM outbox WHERE sink = ? AND changed = ? AND state = 'delivered' AND number != ?",
                (delivery.sink, delivery.changed, delivery.number),
            ).fetchone()
        return int(together)

    def counts(self) -> dict[tuple[str, State], int]:
        """Count the deliveries of each sink in each state."""
        with self._database.reading() as connection:
            rows = connection.execute("SELECT sink, state, count(*) FROM outbox GROUP BY sink, state").fetchall()
        return {(sink, state): count for sink, state, count in rows}

    def retry(self, numbers: Collection[int] | None = None) -> int:
        """Let dead, dropped or waiting deliveries be retried at once, or all dead ones; return how many."""
        return self._change(
            numbers, ("dead", "dropped", "waiting"), "state = 'waiting', next_try = ?", (self._clock(),)
        )

    def drop(self, numbers: Collection[int] | None = None) -> int:
        """Drop dead or waiting deliveries, or all dead ones; return how many. They stay on record."""
        return self._change(numbers, ("dead", "waiting"), "state = 'dropped'", ())

    def _change(
        self, numbers: Collection[int] | None, states: tuple[State, ...], change: str, values: tuple[object, ...]
    ) -> int:
        now = self._clock()
        with self._database.writing() as connection:
            if numbers is None:
                statement = f"UPDATE outbox SET {change}, changed = ? WHERE state = 'dead'"  # noqa: S608 - our words
                return connection.execute(statement, (*values, now)).rowcount
            marks = ", ".join("?" * len(states))
            statement = f"UPDATE outbox SET {change}, changed = ? WHERE number = ? AND state IN ({marks})"  # noqa: S608 - our words
            rows = [(*values, now, number, *states) for number in numbers]
            return max(connection.executemany(statement, rows).rowcount, 0)


def _delivery(row: Sequence[Any]) -> Delivery:
    number, sink, state, attempts, next_try, changed, error, late, *event = row
    return Delivery(number, sink, event_of(event), state, attempts, next_try, changed, error, bool(late))
