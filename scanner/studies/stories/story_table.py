"""The stories of some series as columns: what is known when they are found, and what came of them."""

from __future__ import annotations

from itertools import chain
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa

from scanner.analysis.columns import ATR
from scanner.arrow import numbers, texts
from scanner.follow.outcome import STATES
from scanner.follow.stories import Ends, go_on_together, joined
from scanner.studies.parts import CATEGORIES, LAYOUT, VARIANTS, no_trades
from scanner.studies.schema import AROUND, SOURCES, VERDICTS
from scanner.studies.stories.columns import WHOLE, Columns, what_came, when
from scanner.trade.levels import grid_of
from scanner.trade.surroundings import NAMES

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from scanner.analysis.pool import Pool
    from scanner.engine.series_engine import SeriesEngine
    from scanner.follow.stories import Sides
    from scanner.pipeline import Inputs

    Integers = NDArray[np.int64]

VERDICT_OF = np.array([VERDICTS.index(WHOLE[code]) for code in sorted(WHOLE)], dtype=np.int8)
"""The number of the verdict on a surrounding, by its code."""
STATE_WORDS = texts([STATES[code] for code in sorted(STATES)])
"""The words for the state of a story, by its code."""


class StoryTable:
    """The stories of some series on one timeframe, numbered in the order found; ``inputs`` are those of each series."""

    def __init__(self, timeframe: str) -> None:
        self.timeframe = timeframe
        self.inputs: list[Inputs] = []
        self._count = 0
        self._told: list[Columns] = []
        self._came: list[NDArray[Any]] = []

    def listen(self, engine: SeriesEngine) -> Ends:
        """Collect the stories of an engine that end."""
        engine.ends = ends = Ends(engine.series, engine.instrument, engine.rulebook, engine.timetable)
        ends.came = self._came.append
        return ends

    def follow(
        self,
        pool: Pool,
        followed: Sequence[Ends],
        series: Integers,
        found: tuple[NDArray[Any], Integers, Integers],
        told: Columns,
        standing: Sequence[Sides],
    ) -> None:
        """Follow stories of several series of a pool, and go on with those that were found before.

        ``followed`` and ``standing`` are those of each series (see ``go_on_together``), and ``series`` their numbers.
        ``found`` are the records of the new stories, for each its place among the ``series``, in their order, and its
        spot (row, bar, sign); ``told`` are their columns.
        """
        records, of, spots = found
        records["number"] = self._count + np.arange(len(records))
        self._count += len(records)
        row, index, _ = spots.T
        known = when(pool.times[row, 1, index]) | {"atr": pool.columns[row, ATR, index], "series": series[of]}
        self._told.append(told | known)
        for place, begin, end in runs(of):
            followed[place].add(records[begin:end])
        go_on_together(followed, standing)

    def end(self, followed: Sequence[Ends]) -> None:
        """Collect the stories that have not ended."""
        self._came += [each.records for each in followed]

    def columns(self) -> Columns:
        """Give the columns of all stories; ``around`` and VARIANTS are two-dimensional, ``series`` are numbers."""
        if not self._count:
            return {}
        columns = {name: _joined([each[name] for each in self._told]) for name in self._told[0]}
        records = joined(self._came)
        return columns | self._outcomes(records.take(np.argsort(records["number"])), columns["series"], columns["atr"])

    def _outcomes(self, records: NDArray[Any], series: Integers, atr: NDArray[np.float64]) -> Columns:
        """Give what came of all stories; those of instruments with the same steps and costs go together."""
        alike: dict[Any, list[int]] = {}
        for number, each in enumerate(self.inputs):
            key = id(grid_of(each.instrument.steps)), each.instrument.costs, each.instrument.point_value
            alike.setdefault(key, []).append(number)
        if len(alike) == 1:
            return what_came(records, atr, self.inputs[0].instrument)
        rows = [np.flatnonzero(np.isin(series, numbers)) for numbers in alike.values()]
        parts = [
            what_came(records[own], atr[own], self.inputs[numbers[0]].instrument)
            for own, numbers in zip(rows, alike.values(), strict=True)
        ]
        order = np.argsort(np.concatenate(rows))
        return {name: np.concatenate([each[name] for each in parts])[order] for name in parts[0]}

    def table(self) -> tuple[pa.Table, Integers]:
        """Give the stories, and the number of the series of each."""
        columns = self.columns()
        if not columns:
            return no_trades(), np.zeros(0, dtype=np.int64)
        series, around, variants = columns["series"], columns["around"], columns[VARIANTS]
        columns |= {AROUND + name: VERDICT_OF[around[:, number]] for number, name in enumerate(NAMES)}
        columns["source"] = np.array([SOURCES.index(each) for each in columns["source"]], dtype=np.int8)
        columns |= {
            name: pa.DictionaryArray.from_arrays(numbers(columns[name]), texts(words))
            for name, words in CATEGORIES.items()
        }
        columns["state"] = STATE_WORDS.take(numbers(columns["state"]))
        rows, which = np.nonzero(variants)
        edges = np.searchsorted(rows, np.arange(len(series) + 1)).astype(np.int32)
        columns[VARIANTS] = pa.ListArray.from_arrays(numbers(edges), numbers(which.astype(np.int16)))
        for name, told in (
            ("instrument", [each.instrument.symbol for each in self.inputs]),
            ("group", [each.group for each in self.inputs]),
            ("timeframe", [self.timeframe] * len(self.inputs)),
            ("entry_style", [each.rulebook.rules.entry_style for each in self.inputs]),
        ):
            columns[name] = texts(told).take(numbers(series))
        whole = pa.Table.from_arrays([_column(columns[each.name]) for each in LAYOUT], schema=LAYOUT)
        return whole, series


def runs(of: Integers) -> Iterator[tuple[int, int, int]]:
    """Give the runs of equal numbers: number, begin and end."""
    begins = np.flatnonzero(np.diff(of, prepend=-1))
    yield from zip(of[begins].tolist(), begins.tolist(), np.append(begins[1:], len(of)).tolist(), strict=False)


def _column(values: Any) -> pa.Array:  # noqa: ANN401 - a list of texts, an array, or a column already
    if isinstance(values, pa.Array):
        return values
    return numbers(values) if isinstance(values, np.ndarray) else texts(values)


def _joined(parts: Sequence[Any]) -> Any:  # noqa: ANN401 - lists or arrays
    if len(parts) == 1:
        return parts[0]
    return np.concatenate(parts) if isinstance(parts[0], np.ndarray) else list(chain.from_iterable(parts))
