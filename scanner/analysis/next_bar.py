"""What the next bar must do to complete a setup that is forming, and what is known beforehand.

Prices of ``Need`` and ``Before`` are as the setup's side sees them, as in ``bar_sides``: for short they are negative,
and high and low change places.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import fsum, inf, isnan, nan
from typing import TYPE_CHECKING, Literal, get_args

from scanner.analysis.columns import ATR, CLOSE, CROSS, FAST_AVERAGE, HIGH, LOW, OPEN
from scanner.analysis.rules import TIE

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy as np
    from numpy.typing import NDArray

    from scanner.analysis.rules import Rules

    Floats = NDArray[np.float64]
    Averages = tuple[float, float, float]
    """The fast and the slow average of the MACD line, and its signal."""

What = Literal["close", "high", "low", "body", "range", "body_of_range"]
"""What can be asked of a bar: its prices and its lengths. A body counts from open to close, so it may be negative."""
WHATS: tuple[What, ...] = get_args(What)


@dataclass(frozen=True, slots=True)
class Need:
    """One thing that the next bar must do: ``what`` must lie from ``least`` to ``most``.

    With ``beyond``, the bounds themselves are not enough. ``why`` gives the reason in a few words, or is empty.
    """

    what: What
    least: float = -inf
    most: float = inf
    beyond: bool = False
    why: str = ""


def met(need: Need, bar: Sequence[float]) -> bool:
    """Whether a bar (open, high, low, close, as the side sees them) does what is needed; ties count as in the rules."""
    open_, high, low, close = bar
    equal = TIE * max(abs(high), abs(low))
    body, extent = close - open_, high - low
    if need.what == "body_of_range":  # judged as a difference, so that ties are exact
        return need.least * extent - equal <= body <= need.most * extent + equal
    value = {"close": close, "high": high, "low": low, "body": body, "range": extent}[need.what]
    if need.beyond:
        return need.least + equal < value < need.most - equal
    return need.least - equal <= value <= need.most + equal


def possible(needs: Sequence[Need]) -> bool:
    """Whether any bar can do all that is needed, looking at each price and length by itself."""
    least, most = dict.fromkeys(WHATS, -inf), dict.fromkeys(WHATS, inf)
    for need in needs:
        if isnan(need.least) or isnan(need.most) or need.least == inf or need.most == -inf:
            return False
        least[need.what], most[need.what] = max(least[need.what], need.least), min(most[need.what], need.most)
    pairs = [(what, what) for what in WHATS]
    pairs += [("close", "high"), ("low", "close"), ("low", "high"), ("body", "range")]
    return all(least[one] <= most[other] for one, other in pairs)


@dataclass(frozen=True, slots=True)
class Ahead:
    """What the next close will do to the averages; real prices.

    ``fast_sum`` and ``slow_sum`` are the sums of the closes that will be in the averages together with the next one.
    ``cross`` is the close beyond which the MACD line will be beyond its signal, NaN if no close does that, and ``side``
    the side of its signal on which the line is now: +1 above, −1 below, 0 on neither.
    """

    fast_sum: float
    slow_sum: float
    cross: float
    side: int


def ahead_of(closes: Floats, averages: Averages, rules: Rules) -> Ahead:
    """Look ahead from a bar; ``closes`` end with its own, and must be enough for the slow average."""
    fast, slow, of_signal = (2.0 / (length + 1) for length in (rules.macd_fast, rules.macd_slow, rules.macd_signal))
    ema_fast, ema_slow, signal = averages
    # A line beyond the signal's last value is beyond its next one as well; both averages are linear in the close.
    cross = (signal - (1.0 - fast) * ema_fast + (1.0 - slow) * ema_slow) / (fast - slow)
    gap, equal = (ema_fast - ema_slow) - signal, TIE * (abs(closes[-1]) + abs(ema_slow))
    return Ahead(
        fsum(closes[len(closes) - rules.fast_average + 1 :]),
        fsum(closes[len(closes) - rules.slow_average + 1 :]),
        cross if of_signal < 1.0 else nan,
        int(gap > equal) - int(-gap > equal),
    )


@dataclass(frozen=True, slots=True)
class Before:
    """The bar p after which a setup may come, as ``next_bar`` of the setup sees it.

    ``series`` is the window of the series (COLUMNS × bars), of which nothing after p is read; ``sign`` is +1 for long
    and −1 for short.
    """

    series: Floats
    p: int
    sign: int
    rules: Rules
    ahead: Ahead

    def opening(self, back: int = 0) -> float:
        """Give the open ``back`` bars before p."""
        return self.sign * self._at(OPEN, back)

    def highest(self, back: int = 0) -> float:
        """Give the high ``back`` bars before p."""
        return self._at(HIGH, back) if self.sign > 0 else -self._at(LOW, back)

    def lowest(self, back: int = 0) -> float:
        """Give the low ``back`` bars before p."""
        return self._at(LOW, back) if self.sign > 0 else -self._at(HIGH, back)

    def closing(self, back: int = 0) -> float:
        """Give the close ``back`` bars before p."""
        return self.sign * self._at(CLOSE, back)

    def extent(self, back: int = 0) -> float:
        """Give the range ``back`` bars before p."""
        return self._at(HIGH, back) - self._at(LOW, back)

    def body(self, back: int = 0) -> float:
        """Give the body ``back`` bars before p, without its sign."""
        return abs(self._at(CLOSE, back) - self._at(OPEN, back))

    def atr(self, back: int = 0) -> float:
        """Give the average true range ``back`` bars before p."""
        return self._at(ATR, back)

    def word(self, long: str, short: str) -> str:
        """Choose the word for the direction."""
        return long if self.sign > 0 else short

    def since_cross(self) -> float:
        """Give the bars since the MACD line crossed its signal toward this side; NaN while it is not beyond it.

        Infinite if it has been beyond it since before its signal was ready, so that no cross was seen.
        """
        bars = self.sign * self._at(CROSS, 0)
        return bars - 1.0 if bars > 0.0 else inf if self.ahead.side == self.sign else nan

    def cross_close(self) -> float:
        """Give the close beyond which the MACD line will be beyond its signal; NaN if no close does that."""
        return self.sign * self.ahead.cross

    def trend_close(self, rise: int) -> float:
        """Give the close beyond which the next bar has a trend; see ``bar_sides.trend_margin``."""
        fast, slow = self.rules.fast_average, self.rules.slow_average
        fast_sum, slow_sum = self.sign * self.ahead.fast_sum, self.sign * self.ahead.slow_sum
        return max(
            fast_sum / (fast - 1),
            (slow_sum / slow - fast_sum / fast) / (1 / fast - 1 / slow),
            fast * self.sign * self._at(FAST_AVERAGE, rise - 1) - fast_sum,
        )

    def _at(self, column: int, back: int) -> float:
        return float(self.series[column, self.p - back])
