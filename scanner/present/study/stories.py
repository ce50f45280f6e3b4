"""The stories whose charts a report shows: chosen by their result alone, always the same ones."""

from __future__ import annotations

from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING, Literal

import numpy as np

from scanner.present.reports.page_html import picture
from scanner.present.study.numbers import in_r
from scanner.studies.figures.verdict import judged_setups
from scanner.wording.times import closing_date
from scanner.wording.words import name

if TYPE_CHECKING:
    from collections.abc import Sequence

    from scanner.studies.schema import Study

Why = Literal["best", "worst", "median", "random"]
KINDS = {"best": "One of the best.", "worst": "One of the worst.", "median": "In the middle.", "random": "At random."}
EACH = 2
"""Stories of each kind, if there are that many."""


@dataclass(frozen=True, slots=True)
class PickedStory:
    """A story to show and why; times are nanoseconds since 1970 UTC."""

    why: Why
    id: str
    instrument: str
    timeframe: str
    setup: str
    direction: str
    found_at: int
    ended_at: int
    net_r: float


@dataclass(frozen=True, slots=True)
class StoryWithChart:
    """A story and its chart, a PNG."""

    story: PickedStory
    chart: bytes


def choose(study: Study) -> tuple[PickedStory, ...]:
    """Choose closed stories of the rules as they are, none twice.

    First come the best, the worst and the middle ones; those at random are drawn from the rest.
    """
    ordered = judged_setups(study.trades, {}).sort_values(["net_r", "id"], kind="stable")
    left = list(range(len(ordered)))
    picked: list[tuple[Why, int]] = []

    def take(why: Why, places: Sequence[int]) -> None:
        rows = [left[place] for place in places]
        picked.extend((why, row) for row in rows)
        left[:] = [row for row in left if row not in rows]

    take("best", range(len(left))[::-1][:EACH])
    take("worst", range(len(left))[:EACH])
    middle = max((len(left) - EACH) // 2, 0)
    take("median", range(len(left))[middle : middle + EACH])
    random = np.random.default_rng(study.seed)
    take("random", sorted(random.choice(len(left), min(EACH, len(left)), replace=False).tolist()) if left else ())
    plain = ordered.astype({"found_at": "int64", "ended_at": "int64"})
    rows = plain[list(PickedStory.__slots__[1:])].to_numpy(dtype=object).tolist()
    return tuple(PickedStory(why, *rows[row]) for why, row in picked)


def gallery(shown: Sequence[StoryWithChart]) -> str:
    """Show the charts, each with its result."""
    return f'<div class="beside">{"".join(_story(each.story, each.chart) for each in shown)}</div>'


def _story(story: PickedStory, chart: bytes) -> str:
    what = f"{name(story.instrument)} {story.timeframe}, {story.setup.replace('_', ' ')} {story.direction}"
    alt = f"Chart of {what}, found {closing_date(story.found_at)} and ended {closing_date(story.ended_at)}"
    below = f"{what}: {in_r(story.net_r)} R net"
    return (
        f'<figure class="story">{picture(chart, alt)}<figcaption><b>{KINDS[story.why]}</b> '
        f"{escape(below)}</figcaption></figure>"
    )
