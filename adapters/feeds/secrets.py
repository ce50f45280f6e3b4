"""What looks like a secret, and so must not be in the file."""

from __future__ import annotations

import json
import re
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

_WORDS = re.compile(r"[A-Z]?[a-z]+|[A-Z]+(?![a-z])|\d+")
_NAMES = re.compile(
    r"authorization|cookie|secret|passwo?r?d|passphrase|credential|signature|(api|app|access|auth|private)key|token$"
)
_WHOLE_NAMES = {"auth", "jwt", "key", "pass", "pin", "pwd", "sig", "sign", "xkey"}
_PAGES = re.compile(r"(next|previous|prev|page|paging|pagination|continuation|cursor|resume|start|sync)+token")
_PLACEHOLDER = re.compile(r"\{[^{}]*\}")


def looks_secret(name: str, value: object) -> bool:
    """Say whether the value under a name seems to be a secret.

    Tokens for another page are not, nor are values made only of placeholders.

    >>> looks_secret("apiKey", "f00"), looks_secret("page_token", "f00"), looks_secret("token", "{next}")
    (True, False, False)
    """
    if isinstance(value, bool) or not isinstance(value, str | int | float) or not _PLACEHOLDER.sub("", str(value)):
        return False
    words = [word.lower() for word in _WORDS.findall(name)]
    whole = "".join(words)
    if _PAGES.fullmatch(whole):
        return False
    return "token" in words or whole in _WHOLE_NAMES or _NAMES.search(whole) is not None


def refuse_secrets(what: str, named: Iterable[tuple[str, object]], home: str) -> None:
    """Raise ValueError for the first secret in the file; ``home`` is where it may be given."""
    for name, value in named:
        if looks_secret(name, value):
            raise ValueError(f"the {what} {name} is a secret: give it in {home}.{name}, never in the file")


def secret_within(part: object) -> str | None:
    """Find the name of a secret in a message of tables and lists, or in JSON text; None if there is none."""
    if isinstance(part, str):
        try:
            part = json.loads(part)
        except (ValueError, RecursionError):
            return None
    if isinstance(part, list):
        return next((name for each in part if (name := secret_within(each)) is not None), None)
    if not isinstance(part, dict):
        return None
    for name, value in part.items():
        if any(looks_secret(name, each) for each in (value if isinstance(value, list) else [value])):
            return str(name)
    return secret_within(list(part.values()))
