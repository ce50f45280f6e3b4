"""All pictures of a report, if there is something to draw."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from scanner.present.study.pictures.distribution import distribution
from scanner.present.study.pictures.forest import forest
from scanner.present.study.pictures.reached import reached
from scanner.present.study.pictures.running import running
from scanner.present.study.pictures.where_when import where_when

if TYPE_CHECKING:
    from scanner.present.study.pictures.axes import Drawn
    from scanner.studies.figures.results import Report
    from scanner.studies.schema import Study


@dataclass(frozen=True, slots=True)
class Pictures:
    """The pictures; None if there is nothing to draw."""

    distribution: Drawn | None
    running: Drawn | None
    reached: Drawn | None
    forest: Drawn | None
    where_when: tuple[Drawn, ...]


def pictures(study: Study, report: Report) -> Pictures:
    """Draw everything there is to draw."""
    trades = study.trades
    counting = trades[trades["found"] & (trades["set_aside"] == "") & trades["net_r"].notna()]
    setups = counting[counting["source"] == "setup"]
    by_chance = counting[counting["source"] == "chance"]["net_r"].to_numpy()
    net, mean = setups["net_r"].to_numpy(), report.all.mean.value
    return Pictures(
        distribution(net, by_chance, mean) if mean is not None else None,
        None if report.running is None else running(report.running),
        reached(setups["best_r"].to_numpy(), setups["worst_r"].to_numpy(), net, study.seed) if len(net) else None,
        forest(report.rules),
        where_when(report.breakdowns),
    )
