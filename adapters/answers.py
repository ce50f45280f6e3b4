"""What may be shown of what the other side wrote.

It may repeat what we sent, secrets included, in any form: decoded, encoded, cut up, turned around. Nobody can look for
all of them, so where we sent a secret, none of it is shown.
"""

from __future__ import annotations

from hashlib import sha256

import httpx

DIGITS = 4
"""Of the hash: enough to know an answer again, too few to find out by trying what is in it."""


def measured(text: str | bytes) -> str:
    """Give the length of a text and how its SHA-256 begins.

    >>> measured("Cannot POST /hook/1234")
    '22 bytes, sha256 9564…'
    """
    data = text.encode(errors="surrogatepass") if isinstance(text, str) else text
    return f"{len(data):,} bytes, sha256 {sha256(data).hexdigest()[:DIGITS]}…"


def hidden(text: str) -> str:
    """Give what stands in the place of a text that is not shown."""
    return f"[{measured(text)}]"


def what_failed(error: httpx.HTTPError) -> str:
    """Say what went wrong on the way: the system's own words, or the name of the error.

    Errors of the protocol quote what the other side wrote.
    """
    return (str(error) if isinstance(error, httpx.NetworkError) else "") or type(error).__name__
