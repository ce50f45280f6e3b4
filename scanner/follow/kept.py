"""Stories as bytes, to resume them in a later run."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING, Any

import numpy as np
import orjson

from scanner.follow.found import Found
from scanner.follow.steps import STORY

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

SIZE_BYTES = 4


def packed(stories: Sequence[tuple[Found, Decimal]], records: NDArray[Any]) -> bytes:
    """Pack stories, each with its stop and its record (STORY)."""
    told = orjson.dumps(
        [
            {
                "thread": found.thread,
                "setup": found.setup,
                "title": found.title,
                "sign": found.sign,
                "set_aside": found.set_aside,
                "evidence_points": found.evidence_points,
                "close": found.close,
                "trigger": found.trigger,
                "entry": str(found.entry),
                "first_stop": str(found.stop),
                "size": None if found.size is None else str(found.size),
                "ride": found.ride,
                "spoiled_by": found.spoiled_by,
                "stop": str(stop),
            }
            for found, stop in stories
        ]
    )
    return len(told).to_bytes(SIZE_BYTES, "little") + told + records.tobytes()


def unpacked(snapshot: bytes) -> tuple[list[tuple[Found, Decimal]], NDArray[Any]]:
    """Unpack what ``packed`` packed. ValueError for anything else."""
    end = SIZE_BYTES + int.from_bytes(snapshot[:SIZE_BYTES], "little")
    told = orjson.loads(snapshot[SIZE_BYTES:end])
    records = np.frombuffer(snapshot[end:], dtype=STORY).copy()
    if len(records) != len(told):
        raise ValueError(f"{len(told)} stories were kept, but the records of {len(records)}")
    return [(_found(each), Decimal(each["stop"])) for each in told], records


def _found(told: Any) -> Found:  # noqa: ANN401 - read from JSON
    return Found(
        thread=told["thread"],
        setup=told["setup"],
        title=told["title"],
        sign=told["sign"],
        set_aside=told["set_aside"],
        evidence_points=told["evidence_points"],
        close=told["close"],
        trigger=told["trigger"],
        entry=Decimal(told["entry"]),
        stop=Decimal(told["first_stop"]),
        size=None if told["size"] is None else Decimal(told["size"]),
        ride=told["ride"],
        spoiled_by=told["spoiled_by"],
    )
