"""What the user decides, on its way from the store to the engines."""

from __future__ import annotations

from typing import TYPE_CHECKING

from scanner.follow.decision import Decision

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from scanner.pipeline import Pipeline
    from scanner.store import SeriesKey, Store
    from scanner.store.decisions import Decision as Kept


class Decided:
    """Hands decisions to the engines that follow the setups they are about.

    One counts from the first bar on that comes after those that were in the store when it was made. So that none slips
    in between the bars that it comes after and those that are about to be kept, ``last`` is held against the store when
    they are.
    """

    def __init__(self, store: Store) -> None:
        self._store = store
        self.last = 0
        """The number of the last that was handed on."""

    def hand_on(self, pipelines: Mapping[str, Pipeline]) -> None:
        """Hand on what was decided since this was last asked for."""
        new = self._store.decisions.after(self.last)
        if new:
            self.last = new[-1][1].number
            _hear(pipelines, new)

    def begin(self, pipelines: Mapping[str, Pipeline]) -> None:
        """Hand on to pipelines all that was ever decided and that the bars they have seen have not met."""
        _hear(pipelines, self._store.decisions.after())


def _hear(pipelines: Mapping[str, Pipeline], decided: Sequence[tuple[SeriesKey, Kept]]) -> None:
    for key, each in decided:
        pipeline = pipelines.get(key.instrument)
        for lane in () if pipeline is None else pipeline.lanes:
            is_new = lane.timeframe.name == key.timeframe and each.bar >= lane.engine.last_close
            if is_new and each.kind in {"take", "leave"}:
                lane.engine.hear(Decision(each.thread, each.kind, each.price, each.size, each.bar))
