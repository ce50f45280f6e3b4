"""What a form of the page sends: short texts by name."""

from __future__ import annotations

from typing import TYPE_CHECKING
from urllib.parse import parse_qsl

from scanner.page.access.guard import LONGEST_FORM

if TYPE_CHECKING:
    from starlette.requests import Request

FORM = "application/x-www-form-urlencoded"
MOST_FIELDS = 12


async def form_of(request: Request) -> dict[str, str]:
    """Read a form; empty if the body is not one. If a name comes twice, the first value counts."""
    if request.headers.get("content-type", "").partition(";")[0].strip().lower() != FORM:
        return {}
    body = b""
    async for part in request.stream():
        body += part
        if len(body) > LONGEST_FORM:
            return {}
    try:
        pairs = parse_qsl(body.decode("ascii"), keep_blank_values=True, errors="strict", max_num_fields=MOST_FIELDS)
    except ValueError:
        return {}
    return dict(reversed(pairs))
