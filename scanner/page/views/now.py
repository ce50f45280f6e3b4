"""The first page: open stories, setups that wait for their entry, the next closes, and the station's health."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from threading import Lock
from typing import TYPE_CHECKING

from markupsafe import Markup

from scanner.journal.stories import Story
from scanner.page.answers import board, known, part, render
from scanner.ports import Message
from scanner.present.glance.acting import acting
from scanner.present.words.words import alert
from scanner.wording.words import phrase

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Sequence

    from starlette.requests import Request
    from starlette.responses import Response

    from scanner.events import Event
    from scanner.journal.open_risk import Position
    from scanner.page.known.looking import Board
    from scanner.page.known.plain import PlainConfig
    from scanner.store.decisions import Decided

MOST_SHOWN = 200
"""Stories shown of each kind, the newest first."""


@dataclass(frozen=True, slots=True)
class OpenStory:
    """One open story as the page lists it."""

    story: Story
    orders: str
    next: str
    r: str | None
    at_stop: str | None
    decided: str
    held: Position | None
    warnings: Sequence[str]


class Shared:
    """What the first page shows to all readers, written only once until something changes."""

    def __init__(self) -> None:
        self._turn = Lock()
        self._of: tuple[Board, PlainConfig] | None = None
        self._text = Markup()

    def of(self, seen: Board, about: PlainConfig) -> Markup:
        """Write the state of a board."""
        with self._turn:
            if self._of is None or self._of[0] is not seen or self._of[1] is not about:
                self._of, self._text = (seen, about), _shared(seen, about)
            return self._text


def now(request: Request) -> Response:
    """Show the first page."""
    shared: Shared = request.app.state.shared
    return render(request, "now.html", shared=shared.of(board(request), known(request)))


def _shared(seen: Board, about: PlainConfig) -> Markup:
    open_ones, waiting, aside = list[Story](), list[Story](), 0
    for each in reversed(seen.stories):
        if each.told is not None and each.told["state"] == "open":
            open_ones.append(each)
        elif each.setup["set_aside"]:
            aside += 1
        else:
            waiting.append(each)
    return part(
        "now_shared.html",
        zone=about.zone,
        board=seen,
        open_ones=[_shown(each, seen, about) for each in open_ones[:MOST_SHOWN]],
        waiting=[_shown(each, seen, about) for each in waiting[:MOST_SHOWN]],
        aside=aside,
        left_out=max(len(open_ones) - MOST_SHOWN, 0) + max(len(waiting) - MOST_SHOWN, 0),
        risk=_risk(seen.held.values()),
        limits=about.outline.limits,
        currency=about.outline.account.currency,
        closes=seen.summary.closes,
        troubles=seen.summary.troubles,
        cold=seen.summary.cold,
        recent=[_headline(each.event, about) for each in seen.recent],
        started=seen.status is not None,
    )


def _shown(story: Story, seen: Board, about: PlainConfig) -> OpenStory:
    told, decisions = story.told, seen.decisions.get(story.id, ())
    kinds = {each.kind for each in decisions}
    decided = "left" if "leave" in kinds else "taken" if "take" in kinds else "passed" if "pass" in kinds else ""
    return OpenStory(
        story,
        orders=orders_of(story, kinds, about),
        next="" if told is None or "leave" in kinds else phrase(told["next"]),
        r=None if told is None else told["r"],
        at_stop=None if told is None else told["r_at_stop"],
        decided=decided,
        held=seen.held.get(story.id),
        warnings=story.setup["warnings"] if told is None else told["warnings"],
    )


def orders_of(story: Story, decided: Collection[Decided], about: PlainConfig) -> str:
    """Say which orders are valid now: none once the user has left, though the story ends only with the next bar."""
    if not story.is_open or "leave" in decided:
        return ""
    told = story.told
    return acting(story.setup, about.zone) if told is None else phrase(told["orders"])


def _risk(held: Iterable[Position]) -> tuple[Decimal, Decimal | None, int]:
    """Add up what is at risk: in R, in money if that is known for all positions, and the number of positions."""
    every = list(held)
    money = [each.money for each in every]
    return (
        sum((each.r for each in every), Decimal(0)),
        None if None in money else sum((each for each in money if each is not None), Decimal(0)),
        len(every),
    )


def _headline(event: Event, about: PlainConfig) -> tuple[int, str]:
    zone = about.exchange_zone(event.data.get("instrument", ""))
    return event.time, alert(Message(event), about.zone, zone).headline
