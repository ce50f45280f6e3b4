"""``closewatch status``: how the station stands, beside it or without it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from scanner import settings as configuration
from scanner.commands import output
from scanner.present.status_report import report
from scanner.service.asks import Manners
from scanner.service.configuration.outside import prepare
from scanner.service.status import facts, is_played, status
from scanner.service.store import Store
from scanner.service.store.lock import holder

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path


def run(path: Path, environ: Mapping[str, str], now: int) -> None:
    """Print how the station of a configuration stands at ``now`` (nanoseconds since 1970 UTC)."""
    settings = configuration.load(path, environ, to_watch=True)
    running = holder(settings.store_path)
    feeds = {name: prepare("feeds", name, settings, environ) for name in settings.feeds}
    patience = {name: getattr(each.settings, "patience", Manners().patience) for name, each in feeds.items()}
    with Store.open(settings.store_path, lambda: now, visiting=True) as store:
        known = facts(store, settings.watched())
    played = is_played(settings, environ)
    output.say(*report(status(settings, known, patience, now, running, played=played)))
