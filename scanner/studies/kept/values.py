"""Shared by the files of this folder: frozen values, and moments in readable form."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, PlainSerializer, PlainValidator

from scanner.clocks import SECOND
from scanner.events import rfc3339


def _moment(value: Any) -> int:  # noqa: ANN401 - any value of a file
    """Read RFC 3339 in UTC, to the nanosecond, or take nanoseconds since 1970 as they are."""
    if isinstance(value, int):
        return value
    seconds, _, rest = str(value).removesuffix("Z").partition(".")
    moment = datetime.fromisoformat(seconds).replace(tzinfo=UTC)
    return int(moment.timestamp()) * SECOND + int(rest.ljust(9, "0") if rest else 0)


Moment = Annotated[int, PlainValidator(_moment), PlainSerializer(rfc3339, when_used="json")]
"""Nanoseconds since 1970 UTC, written as RFC 3339."""


class Value(BaseModel):
    """A value that does not change and allows no other fields."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)
