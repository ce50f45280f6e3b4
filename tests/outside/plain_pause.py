"""The doji pause, read plainly: a push, a bar of indecision, and a second push of about the same size."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING, NamedTuple

from tests.outside.plain_indicators import known
from tests.outside.plain_places import PLACES
from tests.outside.plain_terms import Bar, Measured, Rules, above, at_most, hair, ratio

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tests.outside.plain_indicators import Tape
    from tests.outside.plain_places import Places

QUIET_DOJI = Decimal("0.35")
SMALL_BODY = Decimal("0.20"), Decimal("0.10")
"""The wider pause: its largest body as a fraction of its own range and of the first drive's body."""
SMALL_RANGE = Decimal("0.9")
VOLUME_BARS = 20


def pushes(bar: Bar) -> bool:
    return bar.close > bar.open


def shape(tape: Tape, t: int, rules: Rules) -> dict[str, Measured]:
    """Judge every rule but the place: a push, a bar of indecision, a second push of about the same size."""
    first, doji, second = tape.bars[t - 2], tape.bars[t - 1], tape.bars[t]
    tie = hair(second.close)
    usual_body, atr_before = known(tape.usual_body[t - 3]), known(tape.atr[t - 3])
    read_rules = {}

    smaller_push = min(first.close - first.open, second.close - second.open)
    read_rules["drive_direction"] = Measured(smaller_push, pushes(first) and pushes(second))

    read_rules["drive_length"] = Measured(
        ratio(first.body, usual_body), at_most(rules.drive_min * usual_body, first.body, tie)
    )

    read_rules["not_exhausted"] = Measured(
        ratio(max(first.range, second.range), atr_before),
        all(at_most(drive.range, rules.drive_max_atr * atr_before, tie) for drive in (first, second)),
    )

    solidity = [ratio(drive.body, drive.range) for drive in (first, second)]
    read_rules["drive_solid"] = Measured(
        min((part for part in solidity if part is not None), default=None),
        all(at_most(rules.solid * drive.range, drive.body, tie) for drive in (first, second)),
    )

    wide = rules.pause == "small_bar"
    of_range, of_drive = SMALL_BODY if wide else (rules.doji_body, rules.doji_body_of_drive)
    most_body = max(of_range * doji.range, of_drive * first.body)
    read_rules["doji_body"] = Measured(ratio(doji.body, doji.range), at_most(doji.body, most_body, tie))

    most_range = (SMALL_RANGE if wide else rules.doji_range) * first.range
    read_rules["doji_short"] = Measured(ratio(doji.range, first.range), at_most(doji.range, most_range, tie))

    read_rules["drives_alike"] = Measured(
        ratio(second.body, first.body),
        at_most(first.body, rules.alike * second.body, tie) and at_most(second.body, rules.alike * first.body, tie),
    )

    to_beat = max(first.close, doji.high)
    read_rules["progress"] = Measured(second.close - to_beat, second.close > to_beat)

    bars_since_cross = next((n for n in range(t) if tape.crossed_up(t - n)), None)
    read_rules["momentum"] = Measured(
        None if bars_since_cross is None else Decimal(bars_since_cross),
        tape.line_above[t] and bars_since_cross is not None and bars_since_cross <= rules.cross_window,
    )

    dead = [bar for bar in (first, doji, second) if bar.range == 0 and bar.volume == 0]
    read_rules["traded"] = Measured(Decimal(len(dead)), not dead)
    return read_rules


class Awaited(NamedTuple):
    """The bounds for the second push after a push and a bar of indecision; ``solid`` is the least body by its range."""

    close_above: Decimal
    least_body: Decimal
    most_body: Decimal
    most_range: Decimal
    solid: Decimal


def awaited(tape: Tape, t: int, rules: Rules) -> Awaited | None:
    """Judge every rule about the bars up to t, the bar of indecision; None if one fails."""
    first, doji = tape.bars[t - 1], tape.bars[t]
    tie, usual_body, atr_before = hair(doji.close), known(tape.usual_body[t - 2]), known(tape.atr[t - 2])
    wide = rules.pause == "small_bar"
    of_range, of_drive = SMALL_BODY if wide else (rules.doji_body, rules.doji_body_of_drive)
    holds = (
        pushes(first)
        and at_most(rules.drive_min * usual_body, first.body, tie)
        and at_most(first.range, rules.drive_max_atr * atr_before, tie)
        and at_most(rules.solid * first.range, first.body, tie)
        and at_most(doji.body, max(of_range * doji.range, of_drive * first.body), tie)
        and at_most(doji.range, (SMALL_RANGE if wide else rules.doji_range) * first.range, tie)
        and not any(bar.range == 0 and bar.volume == 0 for bar in (first, doji))
    )
    if tape.line_above[t]:  # the cross must still be fresh one bar later
        bars_since_cross = next((n for n in range(t) if tape.crossed_up(t - n)), None)
        holds = holds and bars_since_cross is not None and bars_since_cross + 1 <= rules.cross_window
    if not holds:
        return None
    return Awaited(
        max(first.close, doji.high, close_for_cross(tape, t)),
        first.body / rules.alike,
        first.body * rules.alike,
        rules.drive_max_atr * atr_before,
        rules.solid,
    )


def close_for_cross(tape: Tape, t: int) -> Decimal:
    """Find the next close at which the MACD line meets its signal: both are straight lines in it."""

    def gap(close: Decimal) -> Decimal:
        line = tape.ema12[t] + (close - tape.ema12[t]) * 2 / 13 - (tape.ema26[t] + (close - tape.ema26[t]) * 2 / 27)
        return line - (tape.signal[t] + (line - tape.signal[t]) * 2 / 10)

    here = tape.bars[t].close
    return here - gap(here) / (gap(here + 1) - gap(here))


def evidence(tape: Tape, t: int, places: Places, rules: Rules) -> dict[str, Measured]:
    """Judge the points of evidence, in the order in which they are shown.

    The wider pause has one more point, for a true doji.
    """
    before, first, doji, second = tape.bars[t - 3 : t + 1]
    tie = hair(second.close)
    points = {
        f"place_{name}": Measured(None if price is None else abs(price - places.low), price is not None)
        for name, price in ((name, places.prices[name]) for name in PLACES)
    }

    # The previous bar fell, and A's body covers all of its body.
    engulfs = before.close < before.open and first.open <= before.close and first.close >= before.open
    points["engulfing"] = Measured(ratio(first.body, before.body), engulfs)

    overhang = max(first.low - doji.low, doji.high - first.high)
    points["doji_inside"] = Measured(overhang, overhang <= 0)

    points["doji_quiet"] = Measured(ratio(doji.range, first.range), at_most(doji.range, QUIET_DOJI * first.range, tie))

    for name, average in (("beyond_fast", tape.fast[t]), ("beyond_slow", tape.slow[t])):
        beyond = None if average is None else second.close - average
        points[name] = Measured(beyond, beyond is not None and beyond > tie)

    points["volume"] = volume_of(tape.bars[t - VOLUME_BARS + 1 : t + 1])

    if rules.pause == "small_bar":
        most_body = max(rules.doji_body * doji.range, rules.doji_body_of_drive * first.body)
        points["true_doji"] = Measured(ratio(doji.body, doji.range), at_most(doji.body, most_body, tie))
    return points


def volume_of(bars: Sequence[Bar]) -> Measured:
    """Compare the last bar's volume with the mean of these bars; not counted if a bar has no volume, or none but 0."""
    volumes = [bar.volume for bar in bars if bar.volume is not None]
    if len(volumes) < len(bars) or not any(volumes):
        return Measured(None, None)
    last, mean = volumes[-1], sum(volumes, Decimal(0)) / len(volumes)
    return Measured(ratio(last, mean), above(last, mean, hair(mean)))
