"""The user's decisions, on their way from the store to the engines."""

from __future__ import annotations

from typing import TYPE_CHECKING

from scanner.follow.decision import Decision

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from scanner.pipeline import Pipeline
    from scanner.store import SeriesKey, Store
    from scanner.store.decisions import KeptDecision


class Decided:
    """Passes decisions to the engines that follow their setups.

    A decision takes effect at the first bar after those in the store when it was made. To miss none that is made while
    new bars are about to be stored, ``last`` is compared with the store when they are.
    """

    def __init__(self, store: Store) -> None:
        self._store = store
        self.last = 0
        """The number of the last decision passed on."""

    def hand_on(self, pipelines: Mapping[str, Pipeline]) -> None:
        """Pass on the decisions made since the last call."""
        new = self._store.decisions.after(self.last)
        if new:
            self.last = new[-1][1].number
            _hear(pipelines, new)

    def begin(self, pipelines: Mapping[str, Pipeline]) -> None:
        """Pass on to pipelines all decisions, ever, that their bars have not reached yet."""
        _hear(pipelines, self._store.decisions.after())


def _hear(pipelines: Mapping[str, Pipeline], decided: Sequence[tuple[SeriesKey, KeptDecision]]) -> None:
    for key, each in decided:
        pipeline = pipelines.get(key.instrument)
        for lane in () if pipeline is None else pipeline.lanes:
            is_new = lane.timeframe.name == key.timeframe and each.bar >= lane.engine.last_close
            if is_new and each.kind in {"take", "leave"}:
                lane.engine.hear(Decision(each.thread, each.kind, each.price, each.size, each.bar))
