"""Timeframes: how long a bar lasts, from one minute to one week."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Self

import numpy as np

from scanner.clocks import SECOND
from scanner.market.bars import NO_TIME

if TYPE_CHECKING:
    from numpy.typing import NDArray

DAY_SECONDS = 86_400
LONG_WEEKEND = 4
"""Days from a session to the next over a weekend and a holiday."""


JUDGED = 2_000
"""How many stamps are used to find the spacing."""


@dataclass(frozen=True, slots=True, order=True)
class Timeframe:
    """A timeframe by name; a day is a session and a week the sessions of a week, whatever their length."""

    seconds: int
    name: str

    @property
    def intraday(self) -> bool:
        """Whether a session holds several bars."""
        return self.seconds < DAY_SECONDS

    @property
    def nanoseconds(self) -> int:
        """Nominal length of a bar."""
        return self.seconds * SECOND

    @classmethod
    def named(cls, text: str) -> Self:
        """Find a timeframe by name, in any case; ValueError lists the choices."""
        name = text.strip().lower()
        if name in BY_NAME:
            return cls(BY_NAME[name].seconds, name)
        raise ValueError(f"there is no timeframe {text!r}; choose one of {', '.join(each.name for each in ALL)}")

    @classmethod
    def from_spacing(cls, stamps: NDArray[np.int64]) -> Self | None:
        """Find the timeframe that most neighbouring stamps are apart; None if that is not a known timeframe.

        Only the first stamps count, so that later rows of a file change nothing. Days and weeks may differ by an hour
        when the clocks change. Two stamps alone may have a weekend between them.
        """
        usual = usual_spacing(stamps)
        if usual is None:
            return None
        for timeframe in ALL:
            if usual == timeframe.seconds or (
                not timeframe.intraday and abs(usual - timeframe.seconds) <= DAY_SECONDS // 24
            ):
                return cls(timeframe.seconds, timeframe.name)
        days = round(usual / DAY_SECONDS)
        if len(_gaps(stamps)) == 1 and days <= LONG_WEEKEND and abs(usual - days * DAY_SECONDS) <= DAY_SECONDS // 24:
            return cls.named("1d")
        return None


def usual_spacing(stamps: NDArray[np.int64]) -> int | None:
    """Give the seconds that most neighbours among the first stamps are apart; None if none follows another."""
    gaps = _gaps(stamps)
    if not len(gaps):
        return None
    if 2 * np.count_nonzero(gaps == gaps[0]) > len(gaps):
        return int(gaps[0])
    lengths, counts = np.unique(gaps, return_counts=True)
    return int(lengths[np.argmax(counts)])


def _gaps(stamps: NDArray[np.int64]) -> NDArray[np.int64]:
    stamps = stamps[:JUDGED]
    gaps: NDArray[np.int64] = np.diff(stamps[stamps != NO_TIME]) // SECOND
    return gaps[gaps > 0]


ALL = tuple(
    Timeframe(seconds, name)
    for name, seconds in (
        ("1m", 60),
        ("2m", 120),
        ("3m", 180),
        ("5m", 300),
        ("10m", 600),
        ("15m", 900),
        ("30m", 1_800),
        ("1h", 3_600),
        ("2h", 7_200),
        ("4h", 14_400),
        ("8h", 28_800),
        ("1d", DAY_SECONDS),
        ("1w", 7 * DAY_SECONDS),
    )
)
"""Every timeframe, finest first."""
BY_NAME = {each.name: each for each in ALL}
