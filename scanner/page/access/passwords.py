"""The password of the page: hashed in a file of the user, and protected against guessing."""

from __future__ import annotations

import hmac
from collections import deque
from hashlib import scrypt
from ipaddress import ip_address, ip_network
from secrets import token_bytes
from threading import Lock
from typing import TYPE_CHECKING

from scanner.configuration.page_files import PASSWORD_LINE

if TYPE_CHECKING:
    from collections.abc import Callable

N, R, P, SALT, LENGTH = 2**15, 8, 1, 16, 32
"""The cost of scrypt (RFC 7914): 32 MiB and about a tenth of a second for each attempt."""
LEAST, MOST = 12, 1_024
"""Characters of a password."""
PER_MINUTE, ALL_PER_MINUTE = 5, 30
"""Wrong attempts per minute, from one address and in total."""
MINUTE = 60.0
_HASHING = Lock()
"""One at a time, so that attempts cannot fill the memory."""


def line_of(password: str, salt: bytes | None = None) -> str:
    """Hash a password into the line that its file holds."""
    salt = salt or token_bytes(SALT)
    return f"scrypt:{salt.hex()}:{_hash(password, salt).hex()}\n"


def fits(password: str, line: str) -> bool:
    """Whether a password is the one that a line was made from."""
    found = PASSWORD_LINE.fullmatch(line)
    if found is None or len(password) > MOST:
        return False
    return hmac.compare_digest(_hash(password, bytes.fromhex(found[1])), bytes.fromhex(found[2]))


def _hash(password: str, salt: bytes) -> bytes:
    with _HASHING:
        return scrypt(password.encode(errors="surrogatepass"), salt=salt, n=N, r=R, p=P, maxmem=2**26, dklen=LENGTH)


class Tries:
    """Counts wrong attempts of the last minute by address. ``now`` gives seconds that never go back."""

    def __init__(self, now: Callable[[], float]) -> None:
        self._now = now
        self._wrong: deque[tuple[float, str]] = deque()

    def may_try(self, address: str) -> bool:
        """Whether an address may try now."""
        while self._wrong and self._now() - self._wrong[0][0] >= MINUTE:
            self._wrong.popleft()
        own = sum(each == _around(address) for _, each in self._wrong)
        return own < PER_MINUTE and len(self._wrong) < ALL_PER_MINUTE

    def wrong(self, address: str) -> None:
        """Count an attempt as wrong until ``right`` takes it back."""
        self._wrong.append((self._now(), _around(address)))

    def right(self, address: str) -> None:
        """Take back the last attempt of an address."""
        own = _around(address)
        last = next(each for each in reversed(self._wrong) if each[1] == own)
        self._wrong.remove(last)


def _around(address: str) -> str:
    """Give the network that probably belongs to one user."""
    try:
        known = ip_address(address)
    except ValueError:
        return address
    return str(ip_network((known, 64), strict=False)) if known.version == 6 else str(known)  # noqa: PLR2004 - IPv6
