"""A setup that is forming: announced at the close of the bar before its last, with what that last bar must do."""

from __future__ import annotations

from decimal import Decimal
from math import isfinite
from typing import TYPE_CHECKING

from scanner.analysis.next_bar import Before, Need, possible
from scanner.analysis.places import words as places
from scanner.analysis.rules import TIE
from scanner.events import Event, event_id, rfc3339, setup_id
from scanner.market.price_steps import PriceSteps

if TYPE_CHECKING:
    from collections.abc import Mapping

    from scanner.analysis.next_bar import What
    from scanner.analysis.places.surrounded import Around
    from scanner.analysis.series import Series
    from scanner.event_data import Direction, FormingData, Must
    from scanner.market.instruments import Instrument
    from scanner.market.sessions.timetables import Timetable

MIRRORED: Mapping[What, What] = {"close": "close", "high": "low", "low": "high"}
PRICES = set(MIRRORED)


def forming(
    series: Series, instrument: Instrument, timetable: Timetable, which: int, index: int, around: Around
) -> Event | None:
    """Say what the next bar must do to complete a chosen setup whose rules about the bars so far all hold.

    None if no bar can, or if the setup needs a place and none holds at this bar.
    """
    chosen, sign = series.pool.setups[which], around.sign
    setup, rules = chosen.setup, series.pool.rules
    if setup.forming is None or (setup.places and not any(around.places[kind] for kind in setup.places)):
        return None
    before = Before(series.columns, index, sign, rules, series.ahead(index))
    needs = setup.forming.next_bar(before, chosen.numbers)
    if not possible(needs):
        return None
    direction: Direction = "long" if sign > 0 else "short"
    close = Decimal(repr(sign * before.closing()))
    must = [_must(need, sign, close, instrument) for need in needs]
    bar_open, bar_close = (int(time) for time in series.times[:, index])
    following = timetable.next_known(bar_close)
    symbol, timeframe = instrument.symbol, timetable.timeframe.name
    data: FormingData = {
        "instrument": symbol,
        "timeframe": timeframe,
        "setup": setup.name,
        "title": setup.title,
        "bars": [{"letter": letter, "name": name} for letter, name in setup.bars],
        "direction": direction,
        "bar_open": rfc3339(bar_open),
        "bar_close": rfc3339(bar_close),
        "close": instrument.steps.written(close),
        "step": f"{instrument.steps.at(close):f}",
        "currency": instrument.currency,
        "next_open": None if following is None else rfc3339(following[0]),
        "next_close": None if following is None else rfc3339(following[1]),
        "becomes": None if following is None else setup_id(symbol, timeframe, setup.name, direction, following[1]),
        "places": places.describe(around.places, rules, sign, before.atr(), instrument.steps.nearest)
        if setup.places
        else {},
        "must": must,
        "text": f"The next bar must bring {'; '.join(each['text'] for each in must)}.",
    }
    name = event_id("setup.forming", symbol, timeframe, setup.name, direction, str(bar_close))
    return Event("setup.forming", name, bar_close, f"{symbol}/{timeframe}", data)


def _must(need: Need, sign: int, close: Decimal, instrument: Instrument) -> Must:
    """Turn a need into real prices at the instrument's step, which allow the same bars on its grid."""
    what, low, high = need.what, need.least, need.most
    if what in PRICES and sign < 0:
        what, low, high = MIRRORED[what], -high, -low
    if what == "body_of_range":
        least, most = (f"{Decimal(f'{bound:.6g}'):f}" if isfinite(bound) else None for bound in (low, high))
    else:
        steps = instrument.steps if what in PRICES else PriceSteps.fixed(instrument.steps.at(close))
        least = _rounded(low, close, steps, up=not need.beyond)
        most = _rounded(high, close, steps, up=need.beyond)
    text = _text(what, least, most, beyond=need.beyond)
    if what == "body":
        text += f", {'closing' if low > 0.0 else 'counted'} {'up' if sign > 0 else 'down'}"
    return {
        "what": what,
        "least": least,
        "most": most,
        "beyond": need.beyond,
        "text": text + (f" ({need.why})" if need.why else ""),
    }


def _rounded(bound: float, close: Decimal, steps: PriceSteps, *, up: bool) -> str | None:
    if not isfinite(bound):
        return None
    price = Decimal(repr(bound))
    hair = Decimal(repr(TIE)) * max(abs(close), abs(price))
    return f"{steps.near_or_beyond(price, hair, up=up):f}"


def _text(what: str, least: str | None, most: str | None, *, beyond: bool) -> str:
    """Say what is required of a price or a length, such as «a close above 42.40».

    >>> _text("range", None, "1.60", beyond=False), _text("body", "0.31", "0.95", beyond=False)
    ('a range of at most 1.60', 'a body of 0.31 to 0.95')
    >>> _text("close", "42.40", None, beyond=True), _text("body_of_range", "0.5", None, beyond=False)
    ('a close above 42.40', 'a body of at least 0.5 of the range')
    """
    named = what.replace("_", " ")
    if what == "body_of_range":
        named, least, most = "body", least and f"{least} of the range", most and f"{most} of the range"
    if least is not None and most is not None:
        return f"a {named} between {least} and {most}" if beyond else f"a {named} of {least} to {most}"
    if beyond:
        return f"a {named} {'below' if least is None else 'above'} {most if least is None else least}"
    return f"a {named} of at {f'most {most}' if least is None else f'least {least}'}"
