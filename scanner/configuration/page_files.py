"""The files that the page needs: that of its password, and those of its certificate."""

from __future__ import annotations

import re
import ssl
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from scanner.configuration.model.page import Page

PASSWORD_LINE = re.compile(r"scrypt:([0-9a-f]{32}):([0-9a-f]{64})\n?")
"""What the file of a password holds: the salt, and the hash that scrypt (RFC 7914) makes with it."""
HOW = "`closewatch page CONFIG.toml --set-password` writes"


class PageFileError(Exception):
    """A file of the page cannot be used; the message says why and what to do."""

    exit_code = 2


def password_line(page: Page, folder: Path) -> str | None:
    """Read the hashed password of a page, None where it has none; PageFileError if its file cannot be used."""
    if page.password is None:
        return None
    path = folder / page.password
    try:
        if path.stat().st_mode & 0o077:
            raise PageFileError(f"{path}: others may read this file; allow only its owner to (chmod 600)")
        line = path.read_text("ascii")
    except OSError as problem:
        raise PageFileError(f"{path}: {_reason(problem)}; {HOW} the file of the page's password") from None
    except UnicodeDecodeError:
        line = ""
    if PASSWORD_LINE.fullmatch(line) is None:
        raise PageFileError(f"{path}: this is not a file of the page's password; {HOW} it")
    return line


def check_certificate(page: Page, folder: Path) -> None:
    """Try the certificate and the key of a page, where it has them; PageFileError where they cannot be used."""
    if page.certificate is None or page.key is None:
        return
    for path in (folder / page.certificate, folder / page.key):
        try:
            path.open("rb").close()
        except OSError as problem:
            raise PageFileError(f"{path}: {_reason(problem)}; name a PEM file that this user may read") from None
    try:
        ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(folder / page.certificate, folder / page.key, "")
    except ssl.SSLError:
        raise PageFileError(
            f"{folder / page.certificate}: this certificate and the key {page.key} cannot be used together; give a "
            "certificate in PEM and its own key, without a passphrase"
        ) from None


def wrong_files(page: Page, folder: Path) -> Iterator[tuple[str, str]]:
    """Give each setting of a page whose file cannot be used, with the reason."""
    for setting, look in (("password", password_line), ("certificate", check_certificate)):
        try:
            look(page, folder)
        except PageFileError as problem:
            yield setting, str(problem)


def _reason(problem: OSError) -> str:
    return problem.strerror or str(problem)
