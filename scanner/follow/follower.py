"""The follower of one series: follows its setups over its closed bars, and reports what happens to each."""

from __future__ import annotations

from dataclasses import dataclass, replace
from decimal import Decimal
from functools import partial
from itertools import compress
from math import isnan, nan
from typing import TYPE_CHECKING, Any

import numpy as np

from scanner.analysis.columns import CLOSE
from scanner.follow import steps
from scanner.follow.found import Found
from scanner.follow.kept import packed, unpacked
from scanner.follow.news import News, Record, signs_of, why_entered, why_leaving, why_raised, why_so
from scanner.follow.outcome import STATES, Outcome
from scanner.follow.stories import Stories, go_on_together

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Mapping, Sequence

    from numpy.typing import NDArray

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


@dataclass(slots=True)
class FollowedStory:
    """What the compiled code does not need: the setup, and the stop in exact decimals."""

    found: Found
    stop: Decimal


class Follower(Stories):
    """The stories of one series, and the news of them."""

    telling = steps.ALL_NEWS

    LAYOUT = f"{steps.STORY} {Found.__slots__}"
    """Identifies the layout of a snapshot."""

    def __init__(self, series: Series, instrument: Instrument, rulebook: Rulebook, timetable: Timetable) -> None:
        super().__init__(series, instrument, rulebook, timetable)
        self._stories: list[FollowedStory] = []

    def begin(self, found: Sequence[Found], records: NDArray[Any]) -> None:
        """Follow setups ``found``, each with its record and from its own bar."""
        first = int(self.records["number"][-1]) + 1 if len(self.records) else 0
        records["number"] = first + np.arange(len(records))
        self.add(records)
        self._stories += [FollowedStory(each, each.stop) for each in found]

    def break_off(self, index: int, reason: str) -> list[News]:
        """Advance up to a bar of the window, and end the remaining stories before it, without a result."""
        told = [news for _, news in go_on_together([self], stop=index)[0]]
        for each, story in zip(self.records, self._stories, strict=True):
            record = _read(each) | {"state": steps.BROKEN_OFF, "ended_at": int(self.series.times[1, index])}
            now = self._outcome(record, story, reason)
            told.append(self._news(record, story, now, index, "setup.broken_off", reason))
        self.records, self._stories = self.records[:0], []
        return told

    def decide(self, decision: Decision) -> list[News]:
        """Replace the assumed fill and size with the user's own, or end a story that the user ended.

        The decision comes after the last bar taken in, to which all stories have advanced. A story that has ended does
        not change.
        """
        which = next((n for n, each in enumerate(self._stories) if each.found.thread == decision.thread), None)
        if which is None:
            return []
        story, records, index = self._stories[which], self.records[which : which + 1], self.series.used - 1
        sign, was_open = story.found.sign, bool(records["state"][0] == steps.OPEN)
        price = decision.price
        if decision.size is not None:
            story.found = replace(story.found, size=decision.size)
        if decision.kind == "leave":
            at = float(self.series.columns[CLOSE, index] if price is None else price)
            records["state"], records["exit"] = steps.LEFT_BY_USER, sign * at if was_open else nan
            if was_open:
                records["best"], records["worst"] = (
                    max(records["best"][0], sign * at),
                    min(records["worst"][0], sign * at),
                )
            records["ended_at"] = self.series.times[1, index]
            told = [self._of_user("setup.closed", records[0], story, index)]
            self.leave_alone({decision.thread})
            return told
        fill = nan if price is None else sign * float(price)  # as a float, too, it must leave a risk
        if not fill > records["first_stop"][0]:
            return []
        records["fill"], records["filled_at_open"], records["by_user"], records["moved"] = fill, True, True, False
        if isnan(records["half_exit"][0]):
            steps.set_half(records[0], self.rulebook.follow.record[0], self.grid.bands, self.grid.units)
        if was_open:
            records["best"], records["worst"] = max(records["best"][0], fill), min(records["worst"][0], fill)
            return []
        records["state"], records["entered_at"] = steps.OPEN, self.series.times[1, index]
        records["best"] = records["worst"] = fill
        records["waited"] += 1  # as if the entry had been filled on the next bar
        return [self._of_user("setup.entered", records[0], story, index)]

    def _of_user(self, kind: Kind, record: np.void, story: FollowedStory, index: int) -> News:
        read = _read(record)
        reason = "you took it" if kind == "setup.entered" else "you left it"
        if kind == "setup.entered" and self.rulebook.rules.entry_style == "break":
            reason += "; if an order to enter still stands, cancel it"
        return self._news(read, story, self._now(read, story), index, kind, reason)

    def leave_alone(self, threads: Collection[str]) -> None:
        """Stop following stories, without news."""
        kept = [story.found.thread not in threads for story in self._stories]
        self.records = self.records[kept]
        self._stories = list(compress(self._stories, kept))

    def under_way(self) -> list[Outcome]:
        """Give the state of the stories that have not ended."""
        return [self._now(_read(record), story) for record, story in zip(self.records, self._stories, strict=True)]

    def snapshot(self) -> bytes:
        """Give the state from which a later run can resume; empty if no setup is followed."""
        return packed([(story.found, story.stop) for story in self._stories], self.records) if self._stories else b""

    def restore(self, snapshot: bytes) -> None:
        """Resume the stories of a snapshot. ValueError if it is not a snapshot."""
        kept, self.records = unpacked(snapshot)
        self._stories = [FollowedStory(found, stop) for found, stop in kept]

    def tell(self) -> list[tuple[int, int, News]]:
        """Report the news of ``records`` that have stopped, each with its bar and the number of its story."""
        told, ended = list[tuple[int, int, News]](), False
        for which in np.flatnonzero(self.records["news"]).tolist():
            story, record = self._stories[which], _read(self.records[which])
            index, was = record["next"] - 1 + self._offset, story.stop
            if record["news"] & (steps.SWING | steps.TO_ENTRY):
                story.stop = self.grid.price(round(story.found.sign * record["stop"] * self.grid.units))
            told += [(index, record["number"], news) for news in self._tell(record, story, index, was)]
            ended |= record["state"] > steps.OPEN
        self.records["news"] = 0
        if ended:
            going_on = (self.records["state"] <= steps.OPEN).tolist()
            self.records, self._stories = self.records[going_on], list(compress(self._stories, going_on))
        return told

    def _tell(self, record: Record, story: FollowedStory, index: int, was: Decimal) -> Iterable[News]:
        """Give the news of a story at a bar; ``was`` is its previous stop."""
        bits, now = record["news"], self._now(record, story)
        news = partial(self._news, record, story, now, index)
        if bits & steps.ENTERED:
            yield news("setup.entered", why_entered(record, story.found, self.rulebook.rules.entry_style))
        if bits & steps.ENDED:
            yield news(ENDINGS.get(now.state, "setup.closed"), now.reason)
            return
        if story.stop != was:
            yield news("setup.stop_raised", why_raised(bits, story.found, self.rulebook.follow), stop_before=was)
        if bits & steps.SIGN:
            yield news("setup.pressure", " and ".join(signs_of(record)))
        if bits & (steps.SIGNAL | steps.HALF | steps.SOON):
            may: Leaving = "may" if bits & steps.SIGNAL else ""
            leaving: Leaving = "open" if record["leaves"] else "close" if bits & steps.SOON else may
            yield news("setup.exit_signal", why_leaving(bits, record, self.rulebook.follow), leaving=leaving)

    def _entry(self, record: Record, story: FollowedStory) -> Decimal:
        return _decimal(story.found.sign * record["fill"]) if record["filled_at_open"] else story.found.entry

    def _half(self, record: Record, story: FollowedStory) -> Decimal | None:
        """Give the price at which half is to be closed; None if that is not planned or already done."""
        if isnan(record["half"]) or not isnan(record["half_exit"]):
            return None
        return _decimal(story.found.sign * record["half"])

    def _news(
        self,
        record: Record,
        story: FollowedStory,
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
            bar_open=int(self.series.times[0, index]),
            bar_close=int(self.series.times[1, index]),
            close=_decimal(self.series.columns[CLOSE, index]),
            reason=reason,
            stop_before=stop_before,
            half=self._half(record, story),
            signs=signs_of(record),
            leaving=leaving,
        )

    def _now(self, record: Record, story: FollowedStory) -> Outcome:
        """Give the state of a story, or how it has ended."""
        return self._outcome(record, story, why_so(record, story.found, self.rulebook.follow))

    def _outcome(self, record: Record, story: FollowedStory, reason: str) -> Outcome:
        found, sign, state = story.found, story.found.sign, STATES[record["state"]]
        entry = exit_ = half_exit = best = worst = cost = None
        if not isnan(record["fill"]):
            entry = self._entry(record, story)
            best, worst = _decimal(sign * record["best"]), _decimal(sign * record["worst"])
            costs = self._instrument.costs
            cost = costs.in_price(entry, self._instrument.point_value) if costs.given else None
        if not isnan(record["half_exit"]):
            half_exit = _decimal(sign * record["half_exit"])
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


def _read(record: np.void) -> Record:
    """Read a whole record, which is faster than reading its fields one by one."""
    return dict(zip(NAMES, record.item(), strict=True))


def _decimal(price: Any) -> Decimal:  # noqa: ANN401 - a number of an array has no type
    """Give the decimal that was written as this price."""
    return Decimal(repr(float(price) + 0.0))  # avoid negative zero
