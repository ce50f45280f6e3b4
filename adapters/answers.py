"""How much may be shown of what the other side wrote.

It may repeat what we sent, including secrets, in any form: decoded, encoded, cut up, reversed. They cannot all be
looked for, so if we sent a secret, nothing of the answer is shown.
"""

from __future__ import annotations

from hashlib import sha256

import httpx

DIGITS = 4
"""Digits of the hash: enough to recognise an answer, too few to guess its content."""


def measured(text: str | bytes) -> str:
    """Give the length of a text and the first digits of its SHA-256.

    >>> measured("Cannot POST /hook/1234")
    '22 bytes, sha256 9564…'
    """
    data = text.encode(errors="surrogatepass") if isinstance(text, str) else text
    return f"{len(data):,} bytes, sha256 {sha256(data).hexdigest()[:DIGITS]}…"


def hidden(text: str) -> str:
    """Give the replacement for a text that is not shown."""
    return f"[{measured(text)}]"


def what_failed(error: httpx.HTTPError) -> str:
    """Say what went wrong on the way, in the system's own words or by the name of the error.

    Errors of the protocol quote what the other side wrote.
    """
    return (str(error) if isinstance(error, httpx.NetworkError) else "") or type(error).__name__
