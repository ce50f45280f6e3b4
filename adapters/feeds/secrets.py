"""What looks like a secret, what is one, and whether a text repeats it."""

from __future__ import annotations

import json
import re
from html import unescape
from typing import TYPE_CHECKING
from unicodedata import normalize
from urllib.parse import unquote

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

_WORDS = re.compile(r"[A-Z]?[a-z]+|[A-Z]+(?![a-z])|\d+")
_NAMES = re.compile(
    r"authorization|cookie|secret|passwo?r?d|passphrase|credential|signature|(api|app|access|auth|private)key|token$"
)
_WHOLE_NAMES = {"auth", "jwt", "key", "pass", "pin", "pwd", "sig", "sign", "xkey"}
_PAGES = re.compile(r"(next|previous|prev|page|paging|pagination|continuation|cursor|resume|start|sync)+token")
_ESCAPED_TIMES = 3
"""An address within the query of another is escaped twice, and may stand in JSON or HTML."""
_CODE = re.compile(r"\\x([0-9a-fA-F]{2})|\\u([0-9a-fA-F]{4})")
_UTF_8 = re.compile("[\xc2-\xdf][\x80-\xbf]|[\xe0-\xef][\x80-\xbf]{2}|[\xf0-\xf4][\x80-\xbf]{3}")
"""A letter of UTF-8, the bytes of which were taken for letters."""
SCHEME = 6
"""Letters of the longest usual word in front of a secret, such as Bearer; a longer one is a secret as well."""
HIDDEN = "[not shown: a secret is in it]"
_PLACEHOLDER = re.compile(r"\{[^{}]*\}")


def looks_secret(name: str, value: object) -> bool:
    """Say whether the value under a name is a secret, by all that one can tell.

    Tokens that lead to another page are none, nor are values of nothing but placeholders.

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
    """Raise ValueError for the first secret in what the file says; ``home`` is where it may be given."""
    for name, value in named:
        if looks_secret(name, value):
            raise ValueError(f"the {what} {name} is a secret: give it in {home}.{name}, never in the file")


def secret_within(part: object) -> str | None:
    """Find the name of a secret in a message of tables and lists, or in JSON text; None where there is none."""
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


class Secrets:
    """What may stand in no sentence, ready to be looked for in texts from outside."""

    def __init__(self, secrets: Iterable[str]) -> None:
        self._whole: set[str] = set()
        self._of_ascii: set[str] = set()
        for secret in secrets:
            meant = _meanings(secret)
            self._whole |= {secret, *map(_letters, meant)}
            self._of_ascii |= {_letters(_ascii(way)) for way in meant if not way.isascii()}
        for forms in (self._whole, self._of_ascii):
            forms.discard("")

    def are_in(self, text: str) -> bool:
        """Say whether a text repeats a secret, whichever way it is escaped there, or lost letters beyond ASCII."""
        meant = _meanings(text)
        ways = {text, *map(_letters, meant)}
        if any(secret in way for secret in self._whole for way in ways):
            return True
        return bool(self._of_ascii) and any(
            secret in way for secret in self._of_ascii for way in {_letters(_ascii(each)) for each in meant}
        )

    def safe(self, text: str) -> str:
        """Give a text from outside as it may be shown; the whole of it is needed here, not a part that was cut off."""
        return HIDDEN if self.are_in(text) else text


def words(secret: str) -> Iterator[str]:
    """Give a secret and the parts of it that are secrets as well: all words but the name of a scheme in front."""
    yield secret
    scheme, *others = secret.split() or [""]
    for word in others if len(scheme) <= SCHEME else (scheme, *others):
        yield word
        value = word.partition("=")[2]
        if len(value) > SCHEME:
            yield value


def words_of_message(message: str) -> Iterator[str]:
    """Give a message and what is secret in it: each word longer than a scheme's, and shorter ones as they stand.

    In JSON, short values are secrets where no name says that they are none; elsewhere all are but the first.
    """
    try:
        values = _values(json.loads(message))
    except (ValueError, RecursionError):
        values = words(message)
    yield message
    yield from values
    yield from (word for word in re.split(r'[\s"{}\[\],:]+', message) if len(word) > SCHEME)


def _values(part: object, *, secret: bool = False, named: bool = False) -> Iterator[str]:
    """Give the secret values in JSON; ``secret`` and ``named`` say what the names around them tell."""
    if isinstance(part, dict):
        for name, value in part.items():
            yield from _values(value, secret=secret or looks_secret(name, "any"), named=True)
    elif isinstance(part, list):
        for value in part:
            yield from _values(value, secret=secret)
    elif isinstance(part, str | int | float) and not isinstance(part, bool):
        text = str(part)
        if secret or not named or len(text) > SCHEME:
            yield from words(text)


def _meanings(text: str) -> list[str]:
    """Give a text as it stands there, and as it is meant where it is escaped."""
    ways = [text]
    for _ in range(_ESCAPED_TIMES):
        plain = _CODE.sub(lambda code: chr(int(code[1] or code[2], 16)), ways[-1])
        plain = _UTF_8.sub(lambda found: found[0].encode("latin-1").decode(errors="ignore"), plain)
        ways.append(unescape(unquote(plain)))
    return ways


def _letters(text: str) -> str:
    """Give the letters and digits of a text, however they are written."""
    return "".join(filter(str.isalnum, normalize("NFKC", text))).casefold()


def _ascii(text: str) -> str:
    return text.encode("ascii", "ignore").decode()
