"""The follower of one series: follows its setups over its closed bars, and reports what happens to each."""

from __future__ import annotations

from dataclasses import dataclass, replace
from decimal import Decimal
from functools import partial
from itertools import compress
from math import isnan, nan
from operator import itemgetter
from typing import TYPE_CHECKING, Any

import numpy as np

from scanner.analysis.columns import ATR, CLOSE
from scanner.follow import steps
from scanner.follow.found import Found
from scanner.follow.kept import packed, unpacked
from scanner.follow.news import News, Record, signs_of, state_of, why_entered, why_leaving, why_raised
from scanner.follow.outcome import Outcome
from scanner.trade.levels import grid_of, stop_behind
from scanner.trade.plan import STYLES

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterable, Mapping, Sequence

    from numpy.typing import NDArray

    from scanner.analysis.pool import Pool
    from scanner.analysis.series import Series
    from scanner.event_data import State
    from scanner.events import Kind
    from scanner.follow.decision import Decision
    from scanner.follow.news import Leaving
    from scanner.market.instruments import Instrument
    from scanner.market.sessions.timetables import Timetable
    from scanner.trade.rulebook import Rulebook

ENDINGS: Mapping[State, Kind] = {"lapsed": "setup.lapsed", "spoiled": "setup.spoiled"}
"""News of an end before the entry."""

NAMES: tuple[str, ...] = steps.STORY.names or ()
BLANK = dict.fromkeys(NAMES, 0)

NOTHING = np.zeros(0, dtype=np.uint8)


@dataclass(slots=True)
class Story:
    """What the compiled code does not need: the setup, the stop in exact decimals, and a number in the order found."""

    found: Found
    stop: Decimal
    number: int


class Follower:
    """The stories of one series, and the news of them.

    Call ``go_on`` before bars leave the window. It returns news in the order of the bars, and within a bar in the order
    in which the setups were found.
    """

    telling = steps.ALL_NEWS
    """The news at which a story stops."""

    LAYOUT = f"{steps.STORY} {Found.__slots__}"
    """Identifies the layout of a snapshot."""

    def __init__(self, series: Series, instrument: Instrument, rulebook: Rulebook, timetable: Timetable) -> None:
        self._series = series
        self._instrument = instrument
        self._rules = rulebook.rules
        self._follow = rulebook.follow
        self._numbers = rulebook.follow.record
        self._timetable = timetable
        timeframe = timetable.timeframe
        self._flat_by_close = rulebook.follow.flat_by_close and timeframe.intraday and timetable.calendar.known
        self.records = np.zeros(0, dtype=steps.STORY)
        self._stories: list[Story] = []

    @property
    def pool(self) -> Pool:
        """The pool of the series."""
        return self._series.pool

    @property
    def row(self) -> int:
        """Its row there."""
        return self._series.row

    @property
    def numbers(self) -> tuple[NDArray[Any], NDArray[Any]]:
        """Rules and how setups are followed, as the compiled code takes them."""
        return self._rules.record, self._numbers

    @property
    def is_following(self) -> bool:
        """Whether there are stories."""
        return bool(self._stories)

    @property
    def needs_sessions(self) -> bool:
        """Whether it has to know where bars are in their session."""
        return self._flat_by_close

    def tell(self) -> list[tuple[int, News]]:
        """Tell what there is, with its bar, once its ``records`` went on over all bars, and go on from there."""
        return self._go_on(self._series.used, (), has_news=True)

    def _begin(self, found: Sequence[tuple[int, Found]]) -> None:
        if not found:
            return
        records, have = np.empty(len(self.records) + len(found), dtype=steps.STORY), len(self.records)
        records[:have] = self.records
        first = self._stories[-1].number + 1 if self._stories else 0
        for number, (index, each) in enumerate(found):
            records[have + number] = self._record(index, each)
            self._stories.append(Story(each, each.stop, first + number))
        self.records = records

    def go_on(
        self, found: Sequence[tuple[int, Found]] = (), standing: Sequence[tuple[int, int]] = ()
    ) -> list[tuple[int, News]]:
        """Follow setups ``found`` from their own bars of the window on, and go on over all bars of the series so far.

        ``standing`` are the new bars of the window that have setups, and their sides (a sign): a setup that is not
        followed is still pressure against the other side. Returns news with their bars.
        """
        self._begin(found)
        return self._go_on(self._series.used, standing)

    def break_off(self, index: int, reason: str) -> list[News]:
        """Go on over the bars before one of the window, and end the remaining stories there, without a result."""
        told = [news for _, news in self._go_on(index, ())]
        for each, story in zip(self.records, self._stories, strict=True):
            record = _read(each) | {"ended_at": int(self._series.times[1, index])}
            now = self._outcome(record, story, "broken_off", reason)
            told.append(self._news(record, story, now, index, "setup.broken_off", reason))
        self.records, self._stories = self.records[:0], []
        return told

    def decide(self, decision: Decision) -> list[News]:
        """Replace the assumed fill and size with the user's own, or end a story that the user ended.

        It comes after the last bar taken in, which all stories have met. A story that has ended does not change.
        """
        which = next((n for n, each in enumerate(self._stories) if each.found.thread == decision.thread), None)
        if which is None:
            return []
        story, records, index = self._stories[which], self.records[which : which + 1], self._series.used - 1
        sign, was_open = story.found.sign, bool(records["state"][0] == steps.OPEN)
        price = decision.price
        if decision.size is not None:
            story.found = replace(story.found, size=decision.size)
        if decision.kind == "leave":
            at = float(self._series.columns[CLOSE, index] if price is None else price)
            records["state"], records["exit"] = steps.LEFT_BY_USER, sign * at if was_open else nan
            if was_open:
                records["best"], records["worst"] = (
                    max(records["best"][0], sign * at),
                    min(records["worst"][0], sign * at),
                )
            records["ended_at"] = self._series.times[1, index]
            told = [self._of_user("setup.closed", records[0], story, index)]
            self.leave_alone({decision.thread})
            return told
        fill = nan if price is None else sign * float(price)  # its value as a number must leave a risk
        if not fill > records["first_stop"][0]:
            return []
        records["fill"], records["filled_at_open"], records["by_user"] = fill, True, True
        if isnan(records["half_exit"][0]):
            steps.set_half(records[0], self._numbers[0])
        if was_open:
            records["best"], records["worst"] = max(records["best"][0], fill), min(records["worst"][0], fill)
            return []
        records["state"], records["entered_at"] = steps.OPEN, self._series.times[1, index]
        records["best"] = records["worst"] = fill
        records["waited"] += 1  # as if the entry had been filled on the next bar
        return [self._of_user("setup.entered", records[0], story, index)]

    def _of_user(self, kind: Kind, record: np.void, story: Story, index: int) -> News:
        read = _read(record)
        reason = "you took it" if kind == "setup.entered" else "you left it"
        return self._news(read, story, self._now(read, story), index, kind, reason)

    def leave_alone(self, threads: Collection[str]) -> None:
        """Stop following stories, without news."""
        kept = [story.found.thread not in threads for story in self._stories]
        self.records = self.records[kept]
        self._stories = list(compress(self._stories, kept))

    def under_way(self) -> list[Outcome]:
        """Give those that have not ended."""
        return [self._now(_read(record), story) for record, story in zip(self.records, self._stories, strict=True)]

    def make_ready(self) -> None:
        """Compile in advance the code that the first story would otherwise wait for."""
        self._advance(0, 0, NOTHING)
        _advance_together([self])

    def snapshot(self) -> bytes:
        """Give what must be kept to go on in a later run; empty where nothing is followed."""
        return packed([(story.found, story.stop) for story in self._stories], self.records) if self._stories else b""

    def restore(self, snapshot: bytes) -> None:
        """Follow what the follower of a snapshot followed. ValueError where it is not a snapshot."""
        kept, self.records = unpacked(snapshot)
        self._stories = [Story(found, stop, number) for number, (found, stop) in enumerate(kept)]

    @property
    def _offset(self) -> int:
        return self._series.used - self._series.count

    def _record(self, index: int, found: Found) -> tuple[Any, ...]:
        series, sign, spoiler = self._series, found.sign, found.spoiler
        style = STYLES.index(self._rules.entry_style)
        number = index - self._offset
        close, entry, stop = sign * float(series.columns[CLOSE, index]), sign * float(found.entry), float(found.stop)
        line, slope = found.line or (nan, 0.0)
        values = {
            "sign": sign,
            "style": style,
            "ride": found.ride,
            "begun": number,
            "next": number + 1,
            "entry": entry,
            "gap": self._rules.gap_limit * float(series.columns[ATR, index]),
            "reference": (close, entry, nan)[style],
            "stop": sign * stop,
            "first_stop": sign * stop,
            "beyond": nan if spoiler.beyond is None else sign * spoiler.beyond,
            "average": -1 if spoiler.average is None else spoiler.average,
            "closes": spoiler.closes,
            "bars": spoiler.bars or 0,
            "line": sign * line,
            "slope": sign * slope,
            "swing": nan,
            "step": float(self._instrument.steps.at(found.entry)),
            "half": nan,
            "half_exit": nan,
            "fill": nan,
            "exit": nan,
        }
        return tuple((BLANK | values).values())

    def _go_on(
        self, stop: int, standing: Sequence[tuple[int, int]], *, has_news: bool = False
    ) -> list[tuple[int, News]]:
        """Go on to a bar; where the stories went on already and one ``has_news``, begin with that."""
        if not self._stories:
            return []
        offset, marks = self._offset, self._marks(stop, standing)
        told: list[tuple[int, int, News]] = []
        while has_news or self._advance(offset, stop, marks):
            has_news = False
            for which in np.flatnonzero(self.records["news"]).tolist():
                story, record = self._stories[which], _read(self.records[which])
                index = record["next"] - 1 + offset
                bits, was = record["news"], story.stop
                if bits & (steps.SWING | steps.TO_ENTRY):
                    self._raise_stop(record, story, index)
                    self.records[which]["stop"] = story.found.sign * float(story.stop)
                self.records[which]["news"] = 0
                told += [(index, story.number, news) for news in self._tell(record, story, index, was)]
            going_on = (self.records["state"] <= steps.OPEN).tolist()
            if not all(going_on):
                self.records = self.records[going_on]
                self._stories = list(compress(self._stories, going_on))
        told.sort(key=lambda each: each[:2])
        return [(index, news) for index, _, news in told]

    def _advance(self, offset: int, stop: int, marks: NDArray[np.uint8]) -> bool:
        pool, row = self._series.pool, self._series.row
        windows = (pool.columns, pool.deep, pool.times, row)
        how = (self.telling, self._rules.record, self._numbers)
        found: bool = steps.advance(*windows, self.records, offset, stop, marks, *how)
        return found

    def _marks(self, stop: int, standing: Sequence[tuple[int, int]]) -> NDArray[np.uint8]:
        """Give the marks of the last bars up to ``stop`` − 1: places in the session, and sides with setups."""
        if self._flat_by_close:
            first = int(self.records["next"].min()) + self._offset
            marks = self._in_session(first, stop)
        else:
            first = min((index for index, _ in standing), default=stop)
            marks = np.zeros(stop - first, dtype=np.uint8)
        for index, sign in standing:
            if index >= first:  # else all stories have met it
                marks[index - first] |= steps.LONG_STANDS if sign > 0 else steps.SHORT_STANDS
        return marks

    def _in_session(self, first: int, stop: int) -> NDArray[np.uint8]:
        """Say where in its session each bar is, from the first that a story has not met yet up to ``stop`` − 1."""
        opens = self._series.times[0, first - 1 : stop]
        numbers, bars = self._timetable.places_in_sessions(opens)
        left, sessions = bars - numbers, self._timetable.session_numbers(opens)
        marks = (left == 2) * steps.LAST_BUT_ONE + (left == 1) * steps.LAST  # noqa: PLR2004 - two bars are left
        marks[1:] += (sessions[1:] != sessions[:-1]) * steps.FIRST
        return np.asarray(marks[1:], dtype=np.uint8)

    def _tell(self, record: Record, story: Story, index: int, was: Decimal) -> Iterable[News]:
        """Give the news of a story at a bar; ``was`` is its stop before."""
        bits, now = record["news"], self._now(record, story)
        news = partial(self._news, record, story, now, index)
        if bits & steps.ENTERED:
            yield news("setup.entered", why_entered(record, self._rules.entry_style))
        if bits & steps.ENDED:
            yield news(ENDINGS.get(now.state, "setup.closed"), now.reason)
            return
        if story.stop != was:
            yield news("setup.stop_raised", why_raised(bits, story.found, self._follow), stop_before=was)
        if bits & steps.SIGN:
            yield news("setup.pressure", " and ".join(signs_of(record, self._follow)))
        if bits & (steps.SIGNAL | steps.HALF | steps.SOON):
            leaving: Leaving = "open" if record["leaves"] else "close" if bits & steps.SOON else ""
            yield news("setup.exit_signal", why_leaving(bits, record, self._follow), leaving=leaving)

    def _raise_stop(self, record: Record, story: Story, index: int) -> None:
        """Raise a stop to the entry, or behind the swing that a bar has confirmed, if that is further."""
        sign, stops = story.found.sign, []
        if record["news"] & steps.SWING:
            grid, columns = grid_of(self._instrument.steps), self._series.columns
            atr, close = float(columns[ATR, index]), float(columns[CLOSE, index])
            at = (sign * record["swing"], atr, float(sign), close, self._rules.stop_margin)
            stops.append(grid.price(stop_behind(*at, grid.bands, grid.units)))
        if record["news"] & steps.TO_ENTRY:
            stops.append(self._entry(record, story))
        for stop in stops:
            if sign * (stop - story.stop) > 0:
                story.stop = stop

    def _entry(self, record: Record, story: Story) -> Decimal:
        return _decimal(story.found.sign * record["fill"]) if record["filled_at_open"] else story.found.entry

    def _half(self, record: Record, story: Story) -> Decimal | None:
        """Give the price at which half is closed, if it was not closed before."""
        if isnan(record["half"]) or not isnan(record["half_exit"]):
            return None
        return self._on_step(record["half"], story)

    def _on_step(self, price: float, story: Story) -> Decimal:
        """Convert a number of the compiled code to a price in whole steps, with the step at the entry."""
        step = self._instrument.steps.at(story.found.entry)
        return story.found.sign * round(price / float(step)) * step

    def _news(
        self,
        record: Record,
        story: Story,
        now: Outcome,
        index: int,
        kind: Kind,
        reason: str,
        *,
        stop_before: Decimal | None = None,
        leaving: Leaving = "",
    ) -> News:
        return News(
            kind=kind,
            found=story.found,
            now=now,
            bar_open=int(self._series.times[0, index]),
            bar_close=int(self._series.times[1, index]),
            close=_decimal(self._series.columns[CLOSE, index]),
            reason=reason,
            stop_before=stop_before,
            half=self._half(record, story),
            signs=signs_of(record, self._follow),
            leaving=leaving,
        )

    def _now(self, record: Record, story: Story) -> Outcome:
        """Give the state of a story, or how it has ended."""
        state, reason = state_of(record, story.found, self._follow)
        return self._outcome(record, story, state, reason)

    def _outcome(self, record: Record, story: Story, state: State, reason: str) -> Outcome:
        found, sign = story.found, story.found.sign
        entry = exit_ = half_exit = best = worst = cost = None
        if not isnan(record["fill"]):
            entry = self._entry(record, story)
            best, worst = _decimal(sign * record["best"]), _decimal(sign * record["worst"])
            costs = self._instrument.costs
            cost = costs.in_price(entry, self._instrument.point_value) if costs.given else None
        if not isnan(record["half_exit"]):
            at_level = record["half_exit"] == record["half"]
            price = record["half_exit"]
            half_exit = self._on_step(price, story) if at_level else _decimal(sign * price)
        if not isnan(record["exit"]):
            exit_ = story.stop if record["state"] == steps.STOPPED else _decimal(sign * record["exit"])
        return Outcome(
            thread=found.thread,
            sign=sign,
            set_aside=found.set_aside,
            state=state,
            reason=reason,
            planned=found.entry,
            first_stop=found.stop,
            stop=story.stop,
            entry=entry,
            exit=exit_,
            half_exit=half_exit,
            best=best,
            worst=worst,
            waited=record["waited"] - (entry is not None),
            held=record["held"],
            entered_at=None if entry is None else record["entered_at"],
            ended_at=None if state in {"waiting", "open"} else record["ended_at"],
            cost=cost,
        )


class Ends(Follower):
    """A follower that passes the outcomes of stories to ``came``; other news takes no time."""

    telling = steps.SWING | steps.TO_ENTRY | steps.ENDED
    """Stops are raised in exact decimals, and ended stories are removed."""
    came: Callable[[Outcome], None]

    def __init__(self, series: Series, instrument: Instrument, rulebook: Rulebook, timetable: Timetable) -> None:
        super().__init__(series, instrument, rulebook, timetable)
        self._ended: list[tuple[int, int, Outcome]] = []

    def _go_on(
        self, stop: int, standing: Sequence[tuple[int, int]], *, has_news: bool = False
    ) -> list[tuple[int, News]]:
        told = super()._go_on(stop, standing, has_news=has_news)
        for _, _, outcome in sorted(self._ended, key=itemgetter(0, 1)):
            self.came(outcome)
        self._ended.clear()
        return told

    def _tell(self, record: Record, story: Story, index: int, was: Decimal) -> Iterable[News]:
        del was
        if record["news"] & steps.ENDED:
            self._ended.append((index, story.number, self._now(record, story)))
        return ()


def go_on_together(followers: Sequence[Follower]) -> list[list[tuple[int, News]]]:
    """Go on over all bars that each series has taken in, as each would by itself; gives what each tells."""
    told: list[list[tuple[int, News]]] = [[] for _ in followers]
    by_pool: dict[tuple[int, int], list[int]] = {}
    for number, each in enumerate(followers):
        if each.needs_sessions:
            told[number] = each.go_on()
        elif each.is_following:
            by_pool.setdefault((id(each.pool), each.telling), []).append(number)
    for numbers in by_pool.values():
        has_news = _advance_together([followers[number] for number in numbers])
        for number in np.array(numbers)[has_news].tolist():
            told[number] = followers[number].tell()
    return told


def _advance_together(followers: Sequence[Follower]) -> NDArray[np.bool_]:
    """Take the stories of several followers of one pool over all bars; says which have something to tell."""
    first = followers[0]
    pool, rows = first.pool, np.array([each.row for each in followers], dtype=np.int64)
    ends = np.cumsum([len(each.records) for each in followers], dtype=np.int64)
    joined = bytearray(b"".join([each.records.tobytes() for each in followers]))  # many times faster than numpy's way
    records, used = np.frombuffer(joined, dtype=steps.STORY), pool.used[rows]
    found, begin = np.zeros(len(rows), dtype=np.bool_), 0
    windows, how = (pool.columns, pool.deep, pool.times), (first.telling, *first.numbers)
    steps.advance_together(*windows, rows, records, ends, used - pool.state["count"][rows], used, *how, found)
    for each, end in zip(followers, ends.tolist(), strict=True):
        each.records = records[begin:end]
        begin = end
    return found


def _read(record: np.void) -> Record:
    """Read a record as a whole: reading its fields one by one takes longer."""
    return dict(zip(NAMES, record.item(), strict=True))


def _decimal(price: Any) -> Decimal:  # noqa: ANN401 - a number of an array has no type
    """Give the decimal as which the price was written."""
    return Decimal(repr(float(price) + 0.0))  # avoid negative zero
