"""``closewatch outbox``: what is waiting for a sink or was refused by one, beside the running station."""

from __future__ import annotations

from typing import TYPE_CHECKING

from scanner.commands import output
from scanner.commands.trouble import UsageError
from scanner.wording.tables import table
from scanner.wording.text import plain
from scanner.wording.times import moment
from scanner.wording.words import counted

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from scanner.commands.station.which_store import StoreChoice
    from scanner.store import Delivery
    from scanner.store.outbox import State

HEADS = ("number", "sink", "state", "tries", "what", "about", "bar close", "why")
LONGEST_NAME, LONGEST_ERROR = 40, 120


def show(choice: StoreChoice, states: Collection[State], sink: str | None) -> None:
    """Print the deliveries in some states."""
    with choice.visited() as store:
        found = store.outbox.list(states, sink)
    if not found:
        output.tell(f"No delivery is {' or '.join(map(_in_words, states))}{f' for {sink}' if sink else ''}.")
        return
    output.say(*table(HEADS, [_row(each, choice.zone) for each in found], left=(1, 2, 4, 5, 6, 7)))


def retry(choice: StoreChoice, numbers: Sequence[int], *, every: bool) -> None:
    """Retry deliveries at once."""
    _check(numbers, every=every)
    with choice.visited() as store:
        changed = store.outbox.retry(None if every else set(numbers))
    _say_changed(changed, numbers, "to be tried again", "has been delivered already, or does not exist")


def drop(choice: StoreChoice, numbers: Sequence[int], *, every: bool) -> None:
    """Drop deliveries."""
    _check(numbers, every=every)
    with choice.visited() as store:
        changed = store.outbox.drop(None if every else set(numbers))
    _say_changed(changed, numbers, "dropped", "has been delivered or dropped already, or does not exist")


def _check(numbers: Sequence[int], *, every: bool) -> None:
    if bool(numbers) == every:
        raise UsageError("say which deliveries: either their numbers, as `closewatch outbox list` gives them, or --all")


def _say_changed(changed: int, numbers: Sequence[int], done: str, otherwise: str) -> None:
    """Say how many were changed; UsageError if some of those named were not."""
    output.say(f"{counted(changed, 'delivery', 'deliveries')} {done}.")
    if missed := len(set(numbers)) - changed if numbers else 0:
        raise UsageError(f"{missed:,} of the {len(set(numbers)):,} given could not be changed: each {otherwise}")


def _in_words(state: State) -> str:
    return "refused for good" if state == "dead" else state


def _row(each: Delivery, zone: str) -> tuple[str, ...]:
    kind = each.event.kind + (" (late)" if each.late else "")
    return (
        str(each.number),
        plain(each.sink, LONGEST_NAME),
        _in_words(each.state),
        str(each.attempts),
        kind,
        plain(each.event.subject, LONGEST_NAME),
        moment(each.event.time, zone),
        plain(each.error, LONGEST_ERROR),
    )
