"""Stories told again: what was published of a setup, compared with what its bars show now."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from scanner.events import Event, event_id, rfc3339

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from scanner.event_data import SetupData, StoryData, WithdrawnData
    from scanner.market.bars import Bar

RESTATED = "the feed restated bars"
UNJUDGED = "too few bars are left to tell"
GONE = "no longer holds"


def retold(
    found: Sequence[Event],
    whole: Sequence[Event],
    *,
    is_known: bool,
    judged_from: int,
    since: int,
    last: Bar,
    route: Callable[[Event], Sequence[str]],
) -> tuple[list[Event], bool]:
    """Give the events to publish for a story whose bars changed from ``since`` on, and whether to leave it alone.

    ``found`` is what the bars now bring from there on, ``whole`` all that was published of it. Events that still hold
    are not published again. ``is_known`` tells whether its setup was found on the bars that are left; these cannot
    contradict what came before ``judged_from``. ``last`` is the series' last bar, ``route`` gives the sinks of an
    event.
    """
    is_found = any(event.facts.begins for event in found)
    if is_found and (not whole or whole[-1].kind == "setup.withdrawn"):
        return _anew(found, whole[-1]) if whole else list(found), False
    # It was never published, since its setup is older than these rules; or it has ended, although by these rules
    # it may have gone on.
    if not whole or _is_over(whole[-1], since):
        return [], True
    said = whole[-1]
    setup = said_last(whole)
    is_gone = setup.time >= max(since, judged_from) and not is_found
    if is_gone or not is_known:
        given = [] if said.facts.ends else [given_up(said, f"{RESTATED}, and {UNJUDGED}", last)]
        return ([withdrawal(setup, GONE)] if is_gone else given), True
    if is_found and (differs := difference(setup, found[0], route)):
        withdrawn = withdrawal(setup, differs)
        return [withdrawn, *_anew(found, withdrawn)], False
    rest = untold(found, whole, since)
    if rest is not None:
        return rest, False
    reason = f"{RESTATED}; with the new ones, not all that was reported of this setup since {rfc3339(since)} holds"
    return [given_up(said, reason, last)], True


def as_published(setups: Mapping[str, Event], stands: Callable[[Event, Event], bool]) -> Callable[[Event], Event]:
    """Give, for an engine that runs again, what was published of a setup that it finds and that ``stands``.

    ``setups`` are those published, by story. By the account and the configuration of now they may have another size,
    evidence for other sinks, or be set aside; but whoever follows one goes by what was published.
    """

    def published(found: Event) -> Event:
        before = setups.get(found.thread)
        return found if before is None or not stands(before, found) else before

    return published


def _is_over(said: Event, since: int) -> bool:
    """Whether the last published event of a story ends it, whatever its bars are from ``since`` on."""
    return said.kind in {"setup.withdrawn", "setup.broken_off"} or (said.facts.ends and said.time < since)


def untold(found: Sequence[Event], whole: Sequence[Event], since: int) -> list[Event] | None:
    """Give the unpublished events ``found`` after a setup from ``since`` on; None if a published one differs.

    ``whole`` is all that was published of it, whose last setup is that of ``found``. Events from before a withdrawal
    have ids that no later event may have.
    """
    setup = said_last(whole)
    before = [_essence(event) for event in whole[whole.index(setup) + 1 :] if event.time >= since]
    now = [event for event in found if event.facts.follows]
    if before != [_essence(event) for event in now[: len(before)]]:
        return None
    withdrawals = [event for event in whole if event.kind == "setup.withdrawn"]
    rest = now[len(before) :]
    return _anew(rest, withdrawals[-1]) if withdrawals else rest


def same_plan(one: Event, other: Event) -> bool:
    """Whether two events give a setup the same plan, by what a trader acts on, but for the size."""
    return _plan(one.data) == _plan(other.data)


def _plan(data: SetupData) -> tuple[object, ...]:
    """Give levels, ways of entry and exit, price and risk of the entry, and the step of prices."""
    style = data["entry_style"]
    entry = data["entries"][style]
    return data["levels"], style, entry["price"], entry["risk"], data["exit_plan"]["style"], data["step"]


def said_last(whole: Sequence[Event]) -> Event:
    """Give the setup as it was last published."""
    return [event for event in whole if event.facts.begins][-1]


def given_up(said: Event, reason: str, last: Bar) -> Event:
    """End a story that can no longer be followed; ``said`` is its last published event."""
    if said.facts.begins:
        return _withdrawal(said, reason, otherwise=False)
    data: StoryData = said.data | {
        "bar_open": rfc3339(last.open_time),
        "bar_close": rfc3339(last.close_time),
        "close": f"{last.close:.{len(said.data['step'].partition('.')[2])}f}",
        "state": "broken_off",
        "reason": reason,
        "r": None,
        "r_at_stop": None,
        "result": None,
        "orders": "",
        "next": "it is no longer followed; look at it yourself",
        "warnings": [],
    }
    name = event_id("setup.broken_off", said.id, str(last.close_time))
    return replace(said, kind="setup.broken_off", id=name, time=last.close_time, data=data)


def withdrawal(setup: Event, otherwise: str) -> Event:
    """Withdraw a published setup: it no longer holds or, as ``otherwise`` says, not in the same way."""
    reason = f"{RESTATED}; with the new ones, the setup of {rfc3339(setup.time)} {otherwise}"
    return _withdrawal(setup, reason, otherwise=otherwise != GONE)


def _withdrawal(setup: Event, reason: str, *, otherwise: bool) -> Event:
    data: WithdrawnData = {
        "instrument": setup.data["instrument"],
        "timeframe": setup.data["timeframe"],
        "setup": setup.data["setup"],
        "direction": setup.data["direction"],
        "bar_open": setup.data["bar_open"],
        "bar_close": setup.data["bar_close"],
        "withdraws": setup.id,
        "evidence_points": setup.data["evidence_points"],
        "set_aside": setup.kind == "setup.set_aside",
        "otherwise": otherwise,
        "reason": reason,
    }
    return replace(setup, kind="setup.withdrawn", id=event_id("setup.withdrawn", setup.id), data=data)


def difference(before: Event, now: Event, route: Callable[[Event], Sequence[str]]) -> str:
    """Say how a setup differs from what was published; empty if that changes neither what to do nor the sinks."""
    if before.kind != now.kind:
        aside = now.data["set_aside"]
        return f"is set aside: {aside}" if aside else "is no longer set aside"
    if before.data["levels"] != now.data["levels"]:
        return "has other levels"
    if not same_plan(before, now):
        return "has another exit"
    if set(route(before)) != set(route(now)):
        return f"has evidence {now.data['evidence_points']} instead of {before.data['evidence_points']}"
    return ""


def _anew(found: Sequence[Event], withdrawn: Event) -> list[Event]:
    """Publish a withdrawn story once more; each time its events get new ids."""
    return [replace(event, id=event_id(event.kind, event.id, withdrawn.id)) for event in found]


def _essence(event: Event) -> tuple[object, ...]:
    """Give the events of a story that somebody acts on."""
    data: StoryData = event.data
    prices = (data["entry"], data["stop"], data["exit"], data["half_exit"])
    return event.kind, event.time, data["state"], prices, data["pressure"], data["orders"]
