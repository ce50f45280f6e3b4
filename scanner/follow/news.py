"""The news of a setup that is followed, with the reasons in words."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal, NamedTuple

from scanner.follow import steps

if TYPE_CHECKING:
    from collections.abc import Mapping
    from decimal import Decimal

    from scanner.event_data import EntryStyle
    from scanner.events import Kind
    from scanner.follow.found import Found
    from scanner.follow.outcome import Outcome
    from scanner.trade.following import Follow

Record = dict[str, Any]
"""A STORY record as a mapping."""

Leaving = Literal["open", "close", "may", ""]
SIGN_WORDS = {
    steps.ENGULFED: "a bar against it that engulfs the one before",
    steps.THROUGH_AVERAGE: "a close back through the fast average",
    steps.THROUGH_LINE: "a close through the trend line",
    steps.DRIVEN: "a drive bar against it",
    steps.OTHER_SIDE: "a setup on the other side",
}

REASONS: Mapping[int, str] = {
    steps.WAITING: "still waiting for its entry",
    steps.OPEN: "still open",
    steps.STOPPED: "the stop was reached",
    steps.STOPPED_AT_OPEN: "a bar opened beyond the stop",
    steps.LEFT: "the MACD line crossed back",
    steps.LEFT_AT_CLOSE: "the session ended",
    steps.LEFT_AFTER_CLOSE: "the session had ended without its last bar",
    steps.LEFT_BY_USER: "you left it",
    steps.GAPPED: "the bar of the fill would have opened too far beyond the entry",
    steps.OPENED_AT_STOP: "the fill would have been at an open at the stop or beyond",
    steps.SPOILED_BY_STOP: "a close beyond the stop before the entry",
    steps.SPOILED_BY_CROSS: "the MACD line crossed back before the entry",
}
"""Why a story is in a state, if the reason is always the same."""


class News(NamedTuple):
    """One piece of news of a story at a bar.

    ``now`` is its state then, and ``reason`` why this is news. ``stop_before`` is the previous stop, if it was raised;
    ``half`` is the price at which to close half, None if that is not planned or already done. ``signs`` are the signs
    of pressure that count now. ``leaving`` says when to leave the position next: at the next ``open``, at the ``close``
    of the next bar, at the next open if the user likes (``may``), or none of these.
    """

    kind: Kind
    found: Found
    now: Outcome
    bar_open: int
    bar_close: int
    close: Decimal
    reason: str
    stop_before: Decimal | None
    half: Decimal | None
    signs: tuple[str, ...]
    leaving: Leaving


def signs_of(record: Record) -> tuple[str, ...]:
    """Name the signs of pressure that count at the story's last bar."""
    signs = steps.gathered(record["signs"])
    return tuple(text for bit, text in SIGN_WORDS.items() if signs & bit)


def why_entered(record: Record, found: Found, style: EntryStyle) -> str:
    """Say how the position was entered."""
    if style == "early":
        return "filled at the open after the setup"
    if style == "average":
        too = "and" if record["reference"] > found.sign * found.trigger else "but not"
        return f"filled at the open after a close beyond the fast average, {too} beyond the trigger"
    return "filled at an open beyond the planned entry" if record["filled_at_open"] else "the break entry was reached"


def why_leaving(news: int, record: Record, follow: Follow) -> str:
    """Give the reason of an exit signal."""
    reasons = {
        steps.LEFT: "the MACD line crossed back",
        steps.LEFT_ON_PRESSURE: " and ".join(signs_of(record)),
        steps.LEFT_AFTER_BARS: f"{_bars(follow.max_bars)} in the position, after which you chose to leave",
    }
    parts = []
    if news & steps.HALF:
        parts.append(f"half of it was closed at a gain of {follow.half_at:g} R, as you chose")
    if record["leaves"]:
        parts.append(reasons[record["leaves"]])
    elif news & steps.SIGNAL:
        parts.append("the MACD line crossed back; you may leave, or stay for a ride")
    if news & steps.SOON:
        parts.append("the next bar is the last of the session, by whose close you chose to leave")
    return "; ".join(parts)


def why_raised(news: int, found: Found, follow: Follow) -> str:
    """Say why the stop was raised."""
    if news & steps.TO_ENTRY:
        return f"a gain of {follow.to_entry_at:g} R, at which you chose to move the stop to the entry"
    return "the stop follows a confirmed swing " + ("low" if found.sign > 0 else "high")


def why_so(record: Record, found: Found, follow: Follow) -> str:
    """Say why a story is in its state."""
    state = record["state"]
    if state == steps.LEFT_ON_PRESSURE:
        return " and ".join(signs_of(record))
    if state == steps.LEFT_AFTER_BARS:
        return f"{_bars(follow.max_bars)} in the position"
    if state == steps.LAPSED:
        return f"no entry within {_bars(follow.max_wait)}"
    if state == steps.SPOILED_BY_OWN:
        return f"{found.spoiled_by} before the entry"
    return REASONS[state]


def _bars(count: int) -> str:
    return f"{count} bar" + "s" * (count != 1)
