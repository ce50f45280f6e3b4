"""An invented secret, some forms in which it may come back, and a check that it cannot be read."""

from __future__ import annotations

import base64
import html
import json
import re
from typing import TYPE_CHECKING
from urllib.parse import quote

if TYPE_CHECKING:
    from collections.abc import Callable

UNSEEN = 'not/to+be=seen&by "any"\\body%2F'
LOGIN = "loft:p4ssw0rd"
KEPT: dict[str, object] = {"secret_query": {"apikey": UNSEEN}, "secret_query_names": {"apikey": "apiKey"}}
ECHOES: dict[str, Callable[[str], str]] = {
    "as it is": str,
    "for an address": lambda text: quote(text, safe=""),
    "for JSON": json.dumps,
    "for HTML": html.escape,
    "in capitals": str.upper,
    "in Base64": lambda text: base64.b64encode(text.encode()).decode(),
    "in hex": lambda text: text.encode().hex(),
    "reversed": lambda text: text[::-1],
    "apart": " ".join,
}
_TRACES = {way(secret)[:8] for way in ECHOES.values() for secret in (UNSEEN, LOGIN)}


def is_hidden(text: str) -> bool:
    """Say whether neither the secret nor the login can be read in a text, in any of these ways."""
    return re.search("seen|body|p4ss", text.lower()) is None and not any(trace in text for trace in _TRACES)
