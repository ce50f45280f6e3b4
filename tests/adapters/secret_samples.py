"""An invented secret, the ways in which it may come back, and how to tell that nobody can read it."""

from __future__ import annotations

import html
import json
import re
from typing import TYPE_CHECKING
from urllib.parse import quote

if TYPE_CHECKING:
    from collections.abc import Callable

UNSEEN = 'not/to+be=seen&by "any"\\body%2F'
KEPT: dict[str, object] = {"secret_query": {"apikey": UNSEEN}, "secret_query_names": {"apikey": "apiKey"}}
ESCAPED: dict[str, Callable[[str], str]] = {
    "as it is": str,
    "for an address": lambda text: quote(text, safe=""),
    "for JSON": json.dumps,
    "for JSON within HTML": lambda text: json.dumps(text).replace("/", "\\u002f").replace("&", "\\u0026"),
    "for HTML": html.escape,
    "in capitals": str.upper,
}


def is_hidden(text: str) -> bool:
    """Say whether no part of the secret can be read in a text."""
    return re.search("seen|body", text.lower()) is None
