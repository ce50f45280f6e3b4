"""``closewatch page``: the page served from the store alone, beside a running station or without one."""

from __future__ import annotations

from typing import TYPE_CHECKING

import typer

from scanner.commands import output
from scanner.commands.trouble import UsageError
from scanner.configuration.model.page import Page
from scanner.page import serving
from scanner.page.access import passwords
from scanner.page.elsewhere import Elsewhere
from scanner.page.known.configured import Configured

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from scanner.configuration.model.settings import Settings


def run(path: Path, port: int | None) -> None:
    """Serve the page of a configuration until stopped, and print its address."""
    with Elsewhere(path) as elsewhere:
        configured = Configured(path, elsewhere.work)
        known = configured.known
        page = known.page or Page()
        if port is not None:
            page = page.model_copy(update={"port": port})
        at = serving.opened(page, known.folder)
        output.tell(f"The page of {known.outline.station} is at {serving.address_of(page)} until Ctrl-C.")
        serving.run(configured, page, at)


def ask() -> str:
    """Ask for a password, twice and without showing it."""
    told: str = typer.prompt("Password of the page", hide_input=True, confirmation_prompt=True, err=True)
    return told


def set_password(path: Path, asked: Callable[[], str] = ask) -> None:
    """Write the password that ``asked`` gives, hashed, into the file that the configuration names."""
    from scanner.configuration.model import settings as configuration  # noqa: PLC0415 - heavy, and not needed to serve

    settings = configuration.load(path)
    target = _file_of(settings, path)
    password = asked()
    if not passwords.LEAST <= len(password) <= passwords.MOST:
        raise UsageError(f"a password has {passwords.LEAST} to {passwords.MOST:,} characters; choose another")
    output.write_whole(target, passwords.line_of(password).encode(), private=True)
    target.chmod(0o600)
    output.say(f"{target}: written; restart the page to use it.")


def _file_of(settings: Settings, path: Path) -> Path:
    if settings.page is None or settings.page.password is None:
        raise UsageError(f'{path}: name the file first, as in [page] password = "page.password"')
    return settings.folder / settings.page.password
