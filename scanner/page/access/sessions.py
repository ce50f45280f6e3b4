"""Sessions by a cookie, and the token that binds a form to a session."""

from __future__ import annotations

import hmac
import re
from hashlib import sha256
from secrets import token_bytes, token_urlsafe
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

SIGNED_IN_FOR = 12 * 3_600.0
"""Seconds after the last request after which the password is needed again."""
MOST_SIGNED_IN = 64
"""Most sessions signed in at a time; one more ends the least recently used one."""
_ID = re.compile(r"[A-Za-z0-9_-]{32}")


class BrowserSessions:
    """Sessions of this process; they end with it. ``now`` gives seconds that never go back.

    Only signed-in sessions are kept; any other consists of its cookie alone.
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
        """Give the token that every form of a session carries; only this process can make it."""
        return hmac.new(self._key, session.encode(), sha256).hexdigest()

    def fits(self, session: str, token: str) -> bool:
        """Whether a token belongs to a session."""
        return hmac.compare_digest(self.token(session), token.encode("ascii", "replace").decode("ascii"))

    def sign_in(self) -> str:
        """Begin a signed-in session with a new id, which nobody knew before."""
        session = self.new()
        self._used[session] = self._now()
        while len(self._used) > MOST_SIGNED_IN:
            del self._used[min(self._used, key=self._used.__getitem__)]
        return session

    def sign_out(self, session: str) -> None:
        """End a session; harmless if it is not signed in."""
        self._used.pop(session, None)

    def is_signed_in(self, session: str) -> bool:
        """Whether a session is signed in; this check counts as a use."""
        used, now = self._used.get(session), self._now()
        if used is None or now - used > SIGNED_IN_FOR:
            self._used.pop(session, None)
            return False
        self._used[session] = now
        return True
