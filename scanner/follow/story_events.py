"""The news of a story as events: its state in R, the valid orders, and what would change them."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING, NamedTuple
from zoneinfo import ZoneInfo

from scanner.clocks import DAY, SECOND
from scanner.events import Event, event_id, rfc3339
from scanner.market.price_steps import EXACT

if TYPE_CHECKING:
    from collections.abc import Sequence
    from decimal import Decimal

    from scanner.event_data import StoryData
    from scanner.follow.news import News
    from scanner.market.instruments import Instrument
    from scanner.market.sessions.dates import Dated
    from scanner.market.sessions.timetables import Timetable
    from scanner.trade.rulebook import Rulebook
    from scanner.trade.surroundings import Surroundings


class Teller(NamedTuple):
    """Makes events from the news of the stories of a series; ``dates`` are those that concern it."""

    instrument: Instrument
    timetable: Timetable
    rulebook: Rulebook
    dates: Sequence[Dated] | None

    def event(self, news: News) -> Event:
        """Make the event for one piece of news."""
        symbol, timeframe = self.instrument.symbol, self.timetable.timeframe.name
        name = event_id(news.kind, news.found.thread, str(news.bar_close))
        subject = f"{symbol}/{timeframe}"
        return Event(news.kind, name, news.bar_close, subject, self._data(news), thread=news.found.thread)

    def _data(self, news: News) -> StoryData:
        found, now, instrument = news.found, news.now, self.instrument
        is_over = now.state != "open"
        return {
            "instrument": instrument.symbol,
            "timeframe": self.timetable.timeframe.name,
            "setup": found.setup,
            "title": found.title,
            "direction": "long" if found.sign > 0 else "short",
            "set_aside": found.set_aside,
            "evidence_points": found.evidence_points,
            "setup_close": found.close,
            "bar_open": rfc3339(news.bar_open),
            "bar_close": rfc3339(news.bar_close),
            "close": self.instrument.steps.written(news.close),
            "step": f"{instrument.steps.at(news.close):f}",
            "currency": instrument.currency,
            "entry_style": self.rulebook.rules.entry_style,
            "exit_style": "ride" if found.ride else "quick",
            "state": now.state,
            "reason": news.reason,
            "planned_entry": f"{found.entry:f}",
            "planned_risk": f"{now.planned_risk:f}",
            "entry": None if now.entry is None else self.instrument.steps.written(now.entry),
            "risk": None if now.risk is None else f"{now.risk:f}",
            "first_stop": f"{found.stop:f}",
            "stop": self.instrument.steps.written(now.stop),
            "exit": None if now.exit is None else self.instrument.steps.written(now.exit),
            "half_exit": None if now.half_exit is None else self.instrument.steps.written(now.half_exit),
            "r": _text(now.r if is_over else now.in_risks(now.left_at(news.close))),
            "r_at_stop": None if is_over else _text(now.in_risks(now.left_at(now.stop))),
            "best_r": _text(now.in_risks(now.best)),
            "worst_r": _text(now.in_risks(now.worst)),
            "cost_r": _text(now.cost_in_risks),
            "size": _text(found.size),
            "point_value": f"{instrument.point_value:f}",
            "result": self._result(news),
            "bars_waited": news.now.waited,
            "bars_held": now.held,
            "pressure": list(news.signs),
            "pressure_needed": self.rulebook.follow.pressure_signs,
            "orders": self._orders(news),
            "next": self._next(news),
            "warnings": [] if is_over else soon(news.bar_close, self.timetable, self.dates, self.rulebook.surroundings),
        }

    def _result(self, news: News) -> str | None:
        """Give the result in money for the size; None if there is none, or if half was closed of one without half."""
        now, size, two_lots = news.now, news.found.size, 2 * self.instrument.lot_step
        left_at = now.left_at(now.exit)
        if left_at is None or now.entry is None or size is None:
            return None
        if now.half_exit is not None and EXACT.remainder(size, two_lots):
            return None
        gain = EXACT.multiply(EXACT.multiply(left_at - now.entry, size), now.sign * self.instrument.point_value)
        return f"{gain.normalize(EXACT) + 0:f}"  # avoid negative zero

    def _orders(self, news: News) -> str:
        """Say which orders are valid now."""
        now, found = news.now, news.found
        enter, leave = ("buy", "sell") if found.sign > 0 else ("sell", "buy")
        if now.entry is None and now.state != "broken_off":
            is_order = self.rulebook.rules.entry_style == "break"
            return f"cancel the {enter} stop {self.instrument.steps.written(found.entry)}" if is_order else ""
        if now.state != "open":
            return ""
        the_rest, of_the_rest = ("", "") if now.half_exit is None else (" the other half", " for the other half")
        if news.leaving == "open":
            return f"{leave}{the_rest} at the next open"
        stop = f"{leave} stop {self.instrument.steps.written(now.stop)}{of_the_rest}"
        if news.stop_before is not None:
            stop += f", was {self.instrument.steps.written(news.stop_before)}"
        if news.half is not None:
            stop += f"; {leave} half at {self.instrument.steps.written(news.half)}"
        if news.leaving == "close":
            stop += f"; {leave}{the_rest} at the close of the next bar"
        elif news.leaving == "may":
            stop += f"; or {leave}{the_rest} at the next open"
        return stop

    def _next(self, news: News) -> str:
        """Say what would change the plan next."""
        now, follow = news.now, self.rulebook.follow
        if now.state == "broken_off":
            return "it is no longer followed; look at it yourself"
        if now.state != "open":
            return "nothing more: its story has ended"
        if news.leaving == "open":
            return "the next open ends it"
        if news.leaving == "close":
            return "the stop or the close of the next bar ends it"
        if news.found.ride:
            needed = f"{follow.pressure_signs} different signs of pressure within {follow.pressure_within} bars end it"
            moves = "low above the stop raises" if news.found.sign > 0 else "high below the stop lowers"
            text = f"a confirmed swing {moves} it; {needed}, {len(news.signs)} so far"
        else:
            text = "once the MACD line crosses back, leave at the next open"
        at_stop = now.in_risks(now.stop) if follow.to_entry_at else None
        if at_stop is not None and at_stop < 0:
            text += f"; a gain of {follow.to_entry_at:g} R moves the stop to the entry"
        if news.half is not None:
            text += f"; a gain of {follow.half_at:g} R closes half"
        if follow.max_bars:
            text += f"; after {follow.max_bars} bars in the position, leave at the next open"
        if follow.is_flat_by_close(self.timetable):
            text += "; leave at the close of the session"
        return text


def _text(value: Decimal | None) -> str | None:
    return None if value is None else f"{value:f}"


def soon(close: int, timetable: Timetable, dates: Sequence[Dated] | None, surroundings: Surroundings) -> list[str]:
    """Warn of a weekend or holiday and of the user's dates after a bar's close (nanoseconds since 1970 UTC).

    A date is near by the distance to keep from it, and if it lies before the next open: there is no later warning.
    """
    following = None if timetable.calendar.never_closes else timetable.next_known(close)
    opens = close if following is None else following[0]
    warnings = []
    if (day := _after_a_break(close, opens, timetable)) is not None:
        warnings.append(f"the market is closed until {day:%A, %Y-%m-%d}")
    until = max(close + surroundings.keeps_away(intraday=timetable.timeframe.intraday), opens)
    warnings += [f"{each.day}: {each.what}" for each in dates or () if each.end > close and each.begin <= until]
    return warnings


def _after_a_break(close: int, opens: int, timetable: Timetable) -> date | None:
    """Give the day on which the next bar ``opens``, if more than a night lies before it."""
    if opens == close or timetable.timeframe.nanoseconds > DAY:
        return None
    zone = ZoneInfo(timetable.calendar.tz)
    last, first = (datetime.fromtimestamp(moment // SECOND, zone).date() for moment in (close - 1, opens))
    return first if first - last > timedelta(days=1) else None
