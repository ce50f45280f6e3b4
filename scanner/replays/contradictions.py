"""Checks of what the user said about recorded bars: steps, columns and names that do not fit, too many bad rows."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from scanner.wording.text import plain
from scanner.wording.words import NAME_LENGTH, named

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable
    from decimal import Decimal

    from numpy.typing import NDArray

    from scanner.configuration.model.settings import Settings
    from scanner.market.bars import Bars
    from scanner.market.price_steps import GuessedStep

FEW = 20
"""With fewer rows, their number refused proves nothing."""
ENOUGH = 60
"""The fewest bars whose columns are compared."""
FAR = 10.0
"""Highs or lows usually further from the bar's body than this many mean changes of the close are something else."""

SIGNS = {"€": {"EUR"}, "£": {"GBP"}, "¥": {"JPY", "CNY", "CNH"}, "₹": {"INR"}, "₩": {"KRW"}}
"""Signs of currencies, and the ISO 4217 codes that they may mean, from memory; $ may mean many others."""
NO_DOLLARS = {"CHF"}.union(*SIGNS.values())


def check_step(step: Decimal, shown: GuessedStep, bars: Bars) -> None:
    """Raise ValueError if a step cannot be right for some bars; ``shown`` is the step that their prices show."""
    ranges = bars.high - bars.low
    usual = float(np.median(ranges[ranges > 0])) if (ranges > 0).any() else 0.0
    if usual and 2 * float(step) > usual:
        raise ValueError(
            f"--step {step:f} is more than half of the usual range of a bar, {usual:.4g}; give the step at which "
            "prices move, or leave it out to have it estimated"
        )
    if step < shown.step and len(bars) >= FEW:
        raise ValueError(
            f"--step {step:f} is finer than the prices show: {shown.fitting:,} of {shown.prices:,} are multiples of "
            f"{shown.step:f}; give that, or leave the step out to have it estimated"
        )


def check_currency(mark: str, currency: str) -> None:
    """Raise ValueError if prices with a ``mark``, a sign or a code, cannot be in a currency; either may be empty."""
    sign = mark[-1:]
    if not mark or not currency or currency == mark:
        return
    if sign.isalpha() or (currency not in SIGNS[sign] if sign in SIGNS else currency in NO_DOLLARS and sign == "$"):
        raise ValueError(
            f"its prices are marked {mark}, but {currency} is given as their currency; give the right one, in a "
            "configuration if it is not that of the account"
        )


def check_columns(bars: Bars, told: Collection[str]) -> None:
    """Raise ValueError if columns seem to be mistaken for others; columns ``told`` by the user are not checked.

    Prices move less from a close to the next open than from an open to the next close, which spans two bars besides.
    If it is the other way round, open and close are swapped.
    """
    if len(bars) < ENOUGH:
        return
    usual = float(np.abs(np.diff(bars.close)).mean())
    if usual and _are_mostly_more(bars.high - bars.low, FAR * usual):  # else neither the highs nor the lows can be
        _check_extremes(bars, FAR * usual, told)
    between, across = np.abs(bars.open[1:] - bars.close[:-1]), np.abs(bars.close[1:] - bars.open[:-1])
    # Nearly always, a length between the two medians is known, and neither of them is needed.
    clear = _are_mostly_more(across, usual / 2) and _are_mostly_more(-between, -usual / 2)
    if not clear and np.median(between) > np.median(across) and not {"open", "close"} <= {*told}:
        raise ValueError(
            "the columns of open and close seem to be swapped: each close is usually nearer to the open before it "
            f"({np.median(across):.4g} away) than each open is to the close before it ({np.median(between):.4g}); "
            "say which with --columns open=NAME,close=NAME"
        )


def _check_extremes(bars: Bars, far: float, told: Collection[str]) -> None:
    """Raise ValueError if highs or lows are mostly further than ``far`` from the bars' bodies."""
    top, bottom = np.maximum(bars.open, bars.close), np.minimum(bars.open, bars.close)
    for name, reach in (("high", bars.high - top), ("low", bottom - bars.low)):
        if name not in told and _are_mostly_more(reach, far):
            raise ValueError(
                f"the column of the {name} seems to hold something else, such as a volume: it is usually far from "
                f"every other price; say which with --columns {name}=NAME"
            )


def _are_mostly_more(values: NDArray[np.float64], than: float) -> bool:
    return 2 * int(np.count_nonzero(values > than)) > len(values)


def is_mostly_refused(refused: int, rows: int) -> bool:
    """Say whether too many rows are refused, more than a fifth, for the rest to be reliable."""
    return rows >= FEW and 5 * refused > rows


def unconfigured(settings: Settings | None, symbols: Iterable[str]) -> list[str]:
    """Say which instruments in files are not among those of a configuration, if it has any."""
    listed = {} if settings is None else settings.instruments
    others = [plain(symbol, NAME_LENGTH) for symbol in symbols if symbol not in listed] if listed else []
    if not others:
        return []
    these, file = ("this name", "the file") if len(others) == 1 else ("these names", "a file")
    text = f"{named(others)}: the configuration has no instrument of {these}, so its sessions, steps and costs are not "
    return [text + f"used here; name {file} after its instrument"]
