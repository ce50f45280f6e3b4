"""What a station did with a setup: sent, bundled with others, waiting, refused for good, or not sent."""

from __future__ import annotations

from typing import TYPE_CHECKING

from scanner.market.sessions.timeframes import Timeframe
from scanner.wording.text import plain
from scanner.wording.times import moment
from scanner.wording.words import counted

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from scanner.store import Delivery
    from scanner.store.events import KeptEvent

LONGEST = 120
"""Most letters shown of a name or an error."""


def sent(
    said: Sequence[tuple[KeptEvent, Sequence[Delivery]]], bundled: Mapping[int, int], stale_after: int, zone: str
) -> list[str]:
    """Say this for each event of the setup, with its deliveries.

    ``bundled`` counts by the number of a delivery the others that left in the same message; ``stale_after`` bars after
    its own a setup is too old to be sent.
    """
    if not said:
        return ["Not sent: the station did not report this setup, as it missed the bar or judged it by other rules."]
    return [line for kept, deliveries in said for line in _of_event(kept, deliveries, bundled, stale_after, zone)]


def _of_event(
    kept: KeptEvent, deliveries: Sequence[Delivery], bundled: Mapping[int, int], stale_after: int, zone: str
) -> list[str]:
    event, when = kept.event, moment(kept.said, zone)
    if deliveries:
        return [f"Found {when}; {_stands(each, bundled[each.number], zone)}." for each in deliveries]
    if kept.said - event.time > stale_after * Timeframe.named(event.data["timeframe"]).nanoseconds:
        why = f"it was too old by then, more than {counted(stale_after, 'bar')} after its own"
    elif event.kind == "setup.set_aside":
        why = f"it is set aside ({event.data['set_aside']}), and no route asks for that"
    else:
        why = "no route names a sink for it"
    return [f"Found {when}, and not sent: {why}."]


def _stands(delivery: Delivery, others: int, zone: str) -> str:
    """Give the state of a delivery."""
    sink, error = plain(delivery.sink, LONGEST), plain(delivery.error, LONGEST)
    changed = moment(delivery.changed, zone)
    if delivery.state == "delivered":
        late = ", too late to act" if delivery.late else ""
        bundle = f", bundled with {counted(others, 'other event')}" if others else ""
        return f"sent to {sink} {changed}{bundle}{late}"
    if delivery.state == "waiting":
        return f"still to be sent to {sink}, from {moment(delivery.next_try, zone)} on{f' ({error})' * bool(error)}"
    if delivery.state == "dead":
        return f"refused for good by {sink} {changed}: {error}"
    return f"not sent to {sink}: dropped {changed}"
