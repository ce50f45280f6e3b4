"""How the figures of a study are written: R, shares and intervals, always the same way."""

from __future__ import annotations

from typing import TYPE_CHECKING

from scanner.market.digits import with_minus
from scanner.wording.tables import NOTHING

if TYPE_CHECKING:
    from collections.abc import Callable

    from scanner.studies.figures.results import Interval

TOO_FEW = "too few"
PER_CENT = " %"


def in_r(value: float | None) -> str:
    """Write R to hundredths, with its sign; zero has none.

    >>> in_r(0.287), in_r(-0.016), in_r(-0.001), in_r(None)
    ('+0.29', '−0.02', '0.00', '-')
    """
    if value is None:
        return NOTHING
    shown = f"{value:+,.2f}"
    return "0.00" if float(shown.replace(",", "")) == 0 else with_minus(shown)


def plain(value: float | None) -> str:
    """Write a number that is not in R, to hundredths.

    >>> plain(1.234), plain(-7.0), plain(None)
    ('1.23', '−7.00', '-')
    """
    return NOTHING if value is None else with_minus(f"{value:,.2f}")


def share(value: float | None) -> str:
    """Write a share in per cent.

    >>> share(0.305), share(None)
    ('30.5 %', '-')
    """
    return NOTHING if value is None else f"{100 * value:.1f}{PER_CENT}"


def chance(p: float | None) -> str:
    """Write a p-value; one below a thousandth says so.

    >>> chance(0.0421), chance(0.0004), chance(None)
    ('0.042', '< 0.001', '-')
    """
    if p is None:
        return NOTHING
    return "< 0.001" if p < 0.001 else f"{p:.3f}"  # noqa: PLR2004 - as the docstring says


def count(value: float | None) -> str:
    """Write a count, to the nearest whole.

    >>> count(2129), count(None)
    ('2,129', '-')
    """
    return NOTHING if value is None else f"{value:,.0f}"


def span(interval: Interval, write: Callable[[float | None], str] = in_r) -> str:
    """Write an interval alone; if there is none because there is too little, say so.

    >>> from scanner.studies.figures.results import Interval
    >>> span(Interval(0.305, 0.286, 0.325), share), span(Interval(-0.02))
    ('28.6 … 32.5', 'too few')
    """
    if interval.value is None:
        return NOTHING
    if interval.low is None or interval.high is None:
        return TOO_FEW
    return f"{write(interval.low).removesuffix(PER_CENT)} … {write(interval.high).removesuffix(PER_CENT)}"


def with_span(interval: Interval, write: Callable[[float | None], str] = in_r) -> str:
    """Write a figure and its interval; if there is nothing to measure, only a dash."""
    return NOTHING if interval.value is None else f"{write(interval.value)} ({span(interval, write)})"


def month(number: int) -> str:
    """Write a month that is counted as 12 · year + month − 1.

    >>> month(12 * 2024 + 2)
    '2024-03'
    """
    return f"{number // 12}-{number % 12 + 1:02}"
