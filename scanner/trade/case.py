"""What the judgement of a series needs besides its own bars."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from scanner.market.instruments import Instrument
    from scanner.market.sessions.dates import Dated
    from scanner.market.sessions.timetables import Timetable
    from scanner.trade.levels import Grid
    from scanner.trade.rulebook import Rulebook
    from scanner.trade.size import Account


@dataclass(frozen=True, slots=True)
class Case:
    """What the judgement of a series needs besides its own bars.

    ``coarser`` names the next coarser timeframe followed, empty if there is none. ``lean_at`` gives the lean of its
    last bar that closed by a moment: +1 up, −1 down, 0 mixed, None if unknown. ``dates`` are those that concern the
    instrument, None if no dates are known, and ``grid`` has its price steps.
    """

    rulebook: Rulebook
    instrument: Instrument
    timetable: Timetable
    account: Account
    coarser: str
    lean_at: Callable[[int], float | None]
    dates: Sequence[Dated] | None
    grid: Grid
