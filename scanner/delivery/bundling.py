"""Which waiting deliveries are sent alone, and which in one digest."""

from __future__ import annotations

from itertools import groupby
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from scanner.store.outbox import Delivery

Parcel = tuple["Delivery", ...]
"""What a sink gets at once: one delivery, or several as a digest."""

LARGEST = 100
"""Most deliveries in one digest: more would not be read, and some mail servers refuse them."""


def parcels(
    ready: Sequence[Delivery], waited: Collection[int], alone: Collection[int], room: int | None, largest: int
) -> list[Parcel]:
    """Pack deliveries for a sink that sends digests, in the given order.

    Those that have ``waited`` are sent as digests. If there is not ``room`` for all others, the last parcel is a digest
    of the rest. Deliveries that must go ``alone`` are in no digest, and no digest is larger than ``largest``; what has
    no room is left for later.
    """

    def company(each: Delivery) -> object:
        """Give the same for neighbours that share a digest."""
        return "waited" if each.number in waited and each.number not in alone else each.number

    together = [tuple(group) for _, group in groupby(ready, company)]
    packed = [each[at : at + largest] for each in together for at in range(0, len(each), largest)]
    if room is None or len(packed) <= room:
        return packed
    if not room:
        return []
    rest = [each for parcel in packed[room - 1 :] for each in parcel]
    return [*packed[: room - 1], _digest(rest, alone, largest)]


def waves(packed: Sequence[Parcel], alone: Collection[int], at_once: int) -> list[list[Parcel]]:
    """Arrange parcels in waves; each wave may be sent as a whole once the wave before it has arrived.

    A wave holds at most ``at_once`` parcels and never two of one thread. A delivery that must go ``alone`` is
    a wave of its own.
    """
    if at_once == 1:
        return [[parcel] for parcel in packed]
    arranged, rest = [], list(packed)
    while rest:
        wave: list[Parcel] = []
        later: list[Parcel] = []
        seen: set[str] = set()
        closed = False
        for parcel in rest:
            threads = {each.event.thread for each in parcel} - {""}
            single = parcel[0].number in alone
            if closed or len(wave) == at_once or seen & threads or (single and wave):
                later.append(parcel)
            else:
                wave.append(parcel)
                closed = single
            seen |= threads
        arranged.append(wave)
        rest = later
    return arranged


def least_tried(packed: Sequence[Parcel]) -> Parcel:
    """Choose the least tried of the parcels that may go first: another may hold an event on which the sink fails."""
    seen: set[str] = set()
    first = []
    for parcel in packed:
        threads = {each.event.thread for each in parcel} - {""}
        if not seen & threads:
            first.append(parcel)
        seen |= threads
    return min(first, key=lambda parcel: max(each.attempts for each in parcel))


def _digest(rest: Sequence[Delivery], alone: Collection[int], largest: int) -> Parcel:
    count = next((at for at, each in enumerate(rest[:largest]) if each.number in alone), min(len(rest), largest))
    return tuple(rest[: max(count, 1)])
