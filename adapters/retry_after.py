"""How long a server asks us to wait."""

from __future__ import annotations

import re
from datetime import UTC
from email.utils import parsedate_to_datetime


def retry_after(value: str | None, now: float) -> float | None:
    """Read a Retry-After header as seconds from now; None if there is none, or it cannot be read.

    It is a number of seconds or an HTTP date (RFC 9110, section 10.2.3). ``now`` is in seconds since 1970 UTC.
    """
    value = (value or "").strip()
    if re.fullmatch(r"\d{1,9}", value, re.ASCII):
        return float(value)
    try:
        moment = parsedate_to_datetime(value)
    except (ValueError, OverflowError):  # the year may have any number of digits
        return None
    return max(0.0, moment.replace(tzinfo=moment.tzinfo or UTC).timestamp() - now)
