"""Who is asking: sessions by a cookie, and the token that binds a form to one of them."""

from __future__ import annotations

import hmac
import re
from hashlib import sha256
from secrets import token_bytes, token_urlsafe
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

SIGNED_IN_FOR = 12 * 3_600.0
"""Seconds after the last request from which a password is asked for again."""
MOST_SIGNED_IN = 64
"""Sessions that are signed in at a time; one more ends the one that was used longest ago."""
_ID = re.compile(r"[A-Za-z0-9_-]{32}")


class Sessions:
    """Sessions of this process; they end with it. ``now`` gives seconds that never go back.

    Only those that are signed in are kept: of any other, the cookie itself is all there is to it.
    """

    def __init__(self, now: Callable[[], float]) -> None:
        self._now = now
        self._key = token_bytes(32)
        self._used: dict[str, float] = {}

    @staticmethod
    def new() -> str:
        """Give the id of a new session."""
        return token_urlsafe(24)

    @staticmethod
    def is_id(text: str) -> bool:
        """Whether a text can be the id of a session."""
        return _ID.fullmatch(text) is not None

    def token(self, session: str) -> str:
        """Give the token that every form of a session carries; nobody else can make it."""
        return hmac.new(self._key, session.encode(), sha256).hexdigest()

    def fits(self, session: str, token: str) -> bool:
        """Whether a token is that of a session."""
        return hmac.compare_digest(self.token(session), token.encode("ascii", "replace").decode("ascii"))

    def sign_in(self) -> str:
        """Begin a session that is signed in, with an id that nobody knew before."""
        session = self.new()
        self._used[session] = self._now()
        while len(self._used) > MOST_SIGNED_IN:
            del self._used[min(self._used, key=self._used.__getitem__)]
        return session

    def sign_out(self, session: str) -> None:
        """End a session; harmless where it is not signed in."""
        self._used.pop(session, None)

    def is_signed_in(self, session: str) -> bool:
        """Whether a session is signed in; asking counts as using it."""
        used, now = self._used.get(session), self._now()
        if used is None or now - used > SIGNED_IN_FOR:
            self._used.pop(session, None)
            return False
        self._used[session] = now
        return True
