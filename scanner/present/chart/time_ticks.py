"""Where a chart names the time: at the first bar of a day, month or year, whichever is rare enough."""

from __future__ import annotations

from typing import TYPE_CHECKING

from scanner.wording.times import in_zone

if TYPE_CHECKING:
    from collections.abc import Sequence

MOST = 4
FEWEST = 2
CALENDAR = (("%Y", "%Y"), ("%Y %m", "%b %Y"), ("%Y %m %d", "{day} %b"), ("%Y %m %d %H", "%H:%M"))
"""From rare to frequent: what changes, and how it is named."""


def time_ticks(times: Sequence[int], zone: str) -> list[tuple[int, str]]:
    """Choose bars and name them; ``times`` are nanoseconds since 1970 UTC, in order.

    >>> quarters = [1_772_467_200_000_000_000 + 900_000_000_000 * bar for bar in range(200)]
    >>> time_ticks(quarters, "UTC")
    [(32, '3 Mar'), (128, '4 Mar')]
    """
    moments = [in_zone(time, zone) for time in times]
    chosen: list[int] = []
    name = "%H:%M"
    for changing, name in CALENDAR:  # noqa: B007 - the last name stays where none is frequent enough
        keys = [moment.strftime(changing) for moment in moments]
        chosen = [bar for bar in range(1, len(keys)) if keys[bar] != keys[bar - 1]]
        if len(chosen) >= FEWEST:
            break
    every = -(-len(chosen) // MOST)
    return [(bar, moments[bar].strftime(name.replace("{day}", str(moments[bar].day)))) for bar in chosen[:: every or 1]]
