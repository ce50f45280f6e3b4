"""The signature on what the sink ``webhook`` sends, and how a receiver checks it.

Two headers go with each request: ``Closewatch-Timestamp``, the moment of sending in whole seconds since 1970 UTC, and
``Closewatch-Signature``, ``hmac-sha256=`` and the HMAC-SHA256 in lower-case hex, with the secret both sides know, of

    <timestamp> LF
    <name>:<value> LF        for each header whose name begins with ce-, in lower case, in the order of the names
    LF
    <body>

In structured mode and in batches there are no ``ce-`` headers: then it is the timestamp, two line feeds and the body.

A receiver takes the bytes of the body unchanged, checks the signature before anything else, and refuses a request whose
timestamp is more than five minutes in the past or the future: then a recorded request cannot be replayed after that.
Within that time, and because delivery is at least once, it drops an event whose id it has seen.
"""

from __future__ import annotations

import hmac
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

TIMESTAMP = "Closewatch-Timestamp"
SIGNATURE = "Closewatch-Signature"
WINDOW_SECONDS = 300
METHOD = "hmac-sha256="


class SignatureError(Exception):
    """A request that cannot be trusted; the message says why."""


def sign(secret: str, timestamp: str, headers: Mapping[str, str], body: bytes) -> str:
    """Give the signature of a request, as written in the header."""
    signed = sorted((name.lower(), value) for name, value in headers.items() if name.lower().startswith("ce-"))
    lines = [timestamp, *(f"{name}:{value}" for name, value in signed), "", ""]
    return METHOD + hmac.digest(secret.encode(), "\n".join(lines).encode() + body, "sha256").hex()


def verify(secret: str, headers: Mapping[str, str], body: bytes, now: float, window: float = WINDOW_SECONDS) -> None:
    """Check a request for a receiver: its signature, and that it was sent within ``window`` seconds of ``now``.

    ``headers`` are those of the request, names in any case; ``now`` is in seconds since 1970 UTC. Raises
    SignatureError.

    >>> headers = {"Closewatch-Timestamp": "1772467200"}
    >>> headers["Closewatch-Signature"] = sign("a secret of ours", "1772467200", {}, b"{}")
    >>> verify("a secret of ours", headers, b"{}", now=1772467201.5)
    >>> verify("a secret of ours", headers, b"{ }", now=1772467201.5)
    Traceback (most recent call last):
    ...
    adapters.sinks.webhook_signature.SignatureError: the signature is not that of this request
    """
    found: dict[str, str] = {}
    for name, value in headers.items():
        if name.lower() in found:
            raise SignatureError(f"the header {name} appears twice")
        found[name.lower()] = value
    timestamp, signature = found.get(TIMESTAMP.lower(), ""), found.get(SIGNATURE.lower(), "")
    if not signature:
        raise SignatureError(f"there is no header {SIGNATURE}")
    if not hmac.compare_digest(sign(secret, timestamp, found, body).encode(), signature.encode()):
        raise SignatureError("the signature is not that of this request")
    if not (timestamp.isascii() and timestamp.isdigit()):
        raise SignatureError(f"the header {TIMESTAMP} is not a number of seconds")
    if abs(now - int(timestamp)) > window:
        raise SignatureError(f"it was sent {now - int(timestamp):.0f} s ago, and only {window:g} s are allowed")
