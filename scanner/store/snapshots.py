"""The snapshot of a pipeline as bytes: its parts, each with its length before it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from scanner.analysis.indicators.state import count_in

if TYPE_CHECKING:
    from collections.abc import Iterable


def joined(parts: Iterable[bytes]) -> bytes:
    """Put parts together."""
    return b"".join(len(part).to_bytes(4, "little") + part for part in parts)


def parts_of(snapshot: bytes) -> list[bytes]:
    """Take a snapshot apart again."""
    parts, rest = [], snapshot
    while rest:
        size = int.from_bytes(rest[:4], "little")
        parts.append(rest[4 : 4 + size])
        rest = rest[4 + size :]
    return parts


def counts_in(snapshot: bytes) -> list[int]:
    """Read from a snapshot how many bars each timeframe has seen since it began or was last put on hold.

    They come in the order of the timeframes, from the finest on.
    """
    return [count_in(engine) for engine in parts_of(snapshot)[3::2]][::-1]
