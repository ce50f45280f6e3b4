"""The second pass of a study over the bars of a lane: the controls drawn for its setups."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from scanner.analysis.rules import TIE
from scanner.engine.series_engine import SeriesEngine
from scanner.engine.together import push_silently
from scanner.market.bars import Bars
from scanner.studies.parts import VARIANTS
from scanner.studies.stories.columns import directions, exit_styles
from scanner.studies.stories.controls import DrawnBar, begun_controls, draw, for_each_setup
from scanner.trade.around import UNJUDGED
from scanner.trade.surroundings import NAMES

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from scanner.analysis.pool import Pool, Stop
    from scanner.market.instruments import Instrument
    from scanner.studies.stories.columns import Columns
    from scanner.studies.stories.lanes import Member, StudyLane
    from scanner.trade.rulebook import Rulebook

    Integers = NDArray[np.int64]


def follow_controls(lane: StudyLane, pool: Pool, without: Rulebook, seed: int, draws: int) -> None:
    """Draw controls for the setups of a lane, and follow them through ``pool``, by its rules ``without`` setups."""
    drawn = {
        number: sorted(_drawn(member, seed, draws), key=lambda each: each.close_time)
        for number, member in enumerate(lane.members)
        if member.wanted
    }
    numbers = [number for number, own in drawn.items() if own]
    known = [lane.members[number] for number in numbers]
    engines = [SeriesEngine(each.engine.instrument, each.engine.timetable, without, pool=pool) for each in known]
    second = ControlPass(lane, [(each, drawn[number]) for number, each in zip(numbers, known, strict=True)], engines)
    whole = [Bars.joined(each.bars) for each in known]
    for start in range(0, max(map(len, whole), default=0), pool.room):
        going = [k for k, bars in enumerate(whole) if len(bars) > start]
        for stop in push_silently([engines[k] for k in going], [whole[k][start : start + pool.room] for k in going]):
            second.plan(stop, np.array(going)[stop.series], np.array(numbers)[going][stop.series])
    lane.stories.end(second.ends)


def _drawn(member: Member, seed: int, draws: int) -> list[DrawnBar]:
    """Draw the bars of a series for the controls of all its setups."""
    rules = member.inputs.rulebook.rules
    times = np.concatenate([bars.close_time for bars in member.bars])[rules.warm_up - 1 :]
    judged, marks = np.concatenate(member.times), np.concatenate(member.marks)
    if len(judged) < len(times):  # bars on hold have no marks
        known, marks = marks, np.zeros(len(times), dtype=np.uint8)
        marks[np.searchsorted(times, judged)] = known
    symbol, timeframe = member.inputs.instrument.symbol, member.engine.timetable.timeframe.name
    each, told = for_each_setup(draws, len(member.wanted)), f"{seed}\x1f{symbol}\x1f{timeframe}"
    return list(draw(member.wanted, times, marks, rules.entry_style, each, told))


class ControlPass:
    """The controls of some series of a lane on their way through ``engines``; ``drawn`` are in order of their bars."""

    def __init__(
        self, lane: StudyLane, drawn: Sequence[tuple[Member, list[DrawnBar]]], engines: Sequence[SeriesEngine]
    ) -> None:
        self._lane = lane
        self._engines = engines
        self.ends = [lane.stories.listen(engine) for engine in engines]
        self._drawn = [own for _, own in drawn]
        self._closes = [np.array([each.close_time for each in own], dtype=np.int64) for own in self._drawn]
        self._standing = [np.concatenate(member.standing) for member, _ in drawn]

    def plan(self, stop: Stop, which: Integers, series: Integers) -> None:
        """Plan the controls at bars of a stop, and follow them.

        ``which`` are the numbers of its series among the engines, ``series`` those among the members of the lane.
        """
        pool, drawn = self._engines[0].series.pool, []
        places, standing = [np.zeros((0, 4), dtype=np.int64)], []
        for place, (row, first, end, number) in enumerate(
            zip(*(each.tolist() for each in (stop.rows, stop.first, stop.end, which)), strict=True)
        ):
            closes = pool.times[row, 1, first:end]
            own, index = _among(self._closes[number], closes)
            here = [self._drawn[number][k] for k in own.tolist()]
            drawn += here
            signs = np.array([each.setup.sign for each in here], dtype=np.int64)
            places.append(np.stack(np.broadcast_arrays(place, row, first + index, signs), axis=1))
            sides = self._standing[number]
            own, index = _among(sides[:, 0], closes)
            standing.append(np.stack([first + index, sides[own, 1]], axis=1))
        at = np.concatenate(places)
        followed, known = ([own[number] for number in which.tolist()] for own in (self.ends, self._engines))
        planned, records = begun_controls(
            pool, drawn, np.ascontiguousarray(at[:, 1:]), at[:, 0].copy(), [each.grid for each in followed]
        )
        cheap = _cheap_enough(records, at[planned, 0], [each.instrument for each in known], known[0].rulebook)
        planned, records = planned[cheap], records[cheap]
        those, at = [drawn[k] for k in planned.tolist()], at[planned]
        told: Columns = {
            "id": [each.id for each in those],
            "source": [each.source for each in those],
            "of": [each.setup.thread for each in those],
            "found": np.ones(len(those), dtype=np.bool_),
            "setup": [each.setup.setup for each in those],
            "direction": directions(records["sign"]),
            "exit_style": exit_styles(records["ride"]),
            "around": np.full((len(those), len(NAMES)), UNJUDGED, dtype=np.uint8),
            VARIANTS: np.zeros((len(those), len(self._lane.changes.variants)), dtype=np.bool_),
        }
        told |= {name: [""] * len(those) for name in ("place", "set_aside")}
        told |= {name: np.zeros(len(those), dtype=np.int64) for name in ("evidence_points", "evidence_total")}
        self._lane.stories.follow(pool, followed, series, (records, at[:, 0], at[:, 1:]), told, standing)


def _cheap_enough(
    records: NDArray[Any], of: Integers, instruments: Sequence[Instrument], rulebook: Rulebook
) -> NDArray[np.bool_]:
    """Say of which stories the costs are low enough, if that is required; ``of`` numbers their ``instruments``."""
    wanted = rulebook.surroundings
    if "cost" not in wanted.require:
        return np.ones(len(records), dtype=np.bool_)
    costs = np.array([each.costs.parts(each.point_value) for each in instruments], dtype=np.float64)[of]
    risk = records["entry"] - records["stop"]
    return np.asarray(costs[:, 0] + costs[:, 1] * abs(records["entry"]) <= wanted.max_cost * risk * (1.0 + TIE))


def _among(wanted: Integers, closes: Integers) -> tuple[Integers, Integers]:
    """Give which of some closes, in order, are among those of bars, and the places of their bars."""
    index = np.searchsorted(closes, wanted)
    found = np.flatnonzero(index < len(closes))
    found = found[closes[index[found]] == wanted[found]]
    return found, index[found]
