"""Rules that every story follows, whatever happens to its bars, its rules or its station."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from scanner.events import Event


def faults(said: Iterable[Event]) -> list[str]:
    """Say where stories, in the order in which they were published, break the rules that a reader counts on.

    Each begins with a setup, is entered and ends at most once, and its stop never moves away; after its end it can only
    be withdrawn or broken off. A withdrawn story may begin again; nothing follows one that is broken off.
    """
    found: list[str] = []
    stories: dict[str, list[Event]] = {}
    for event in said:
        if not event.facts.of_story:
            continue
        told = stories.setdefault(event.thread, [])
        if told and told[-1].kind == "setup.withdrawn" and event.facts.begins:
            told.clear()
        found += _faults_of(told, event)
        told.append(event)
    return found


def _faults_of(told: list[Event], event: Event) -> Iterator[str]:
    """Say why an event must not follow the earlier ones of its story."""
    last = told[-1].kind if told else "nothing"
    breaks = event.kind in {"setup.withdrawn", "setup.broken_off"}
    has_ended = bool(told) and told[-1].facts.ends and (not breaks or last in {"setup.withdrawn", "setup.broken_off"})
    if event.facts.begins == bool(told) or has_ended:
        yield f"{event.kind} after {last}"
    elif event.kind == "setup.entered" and any(each.kind == event.kind for each in told):
        yield "entered twice"
    elif event.kind != "setup.withdrawn" and len(told) > 1 and _is_looser(told[-1], event):
        yield "the stop moved away"


def _is_looser(before: Event, now: Event) -> bool:
    sign = 1 if now.data["direction"] == "long" else -1
    return sign * (float(now.data["stop"]) - float(before.data["stop"])) < 0
