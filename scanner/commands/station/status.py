"""``closewatch status``: the state of a station, whether or not it is running."""

from __future__ import annotations

import sys
from dataclasses import replace
from typing import TYPE_CHECKING

from scanner.commands import output
from scanner.commands.station.record_notes import told_of_record
from scanner.configuration.check import check
from scanner.configuration.hazards import coming_splits
from scanner.configuration.model import settings as configuration
from scanner.present.reports.status_report import report, unreadable
from scanner.service.changes.config_mark import ListRead
from scanner.service.outlined import outline_of
from scanner.service.status import facts, status
from scanner.store import Store
from scanner.store.lock import holder

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path


def run(path: Path, environ: Mapping[str, str], now: int) -> None:
    """Print the state of the station of a configuration at ``now`` (nanoseconds since 1970 UTC).

    SettingsError if the configuration cannot be used, after saying whether a station is running anyway.
    """
    try:
        settings = configuration.load(path, environ, to_watch=True)
    except configuration.SettingsError:
        _report_running(path, environ)
        raise
    about, running = outline_of(settings, environ, now), holder(settings.store_path)
    read = ListRead.of(running)
    mistake = "" if read is None or read.mark == settings.mark else _mistake(path, environ)
    with Store.open(settings.store_path, lambda: now, visiting=True) as store:
        known = facts(store, about.listed)
    coming = [line for each in coming_splits(settings, now) for line in (each, "")]
    output.say(*report(status(about, known, now, running, mistake=mistake)), "", *coming, told_of_record(about, now))


def _report_running(path: Path, environ: Mapping[str, str]) -> None:
    left = check(path, environ).left
    running = None if left is None else holder(left.store_path)
    if left is not None and running is not None:
        read = ListRead.of(running)
        about = left.station
        output.say(*unreadable(about.name, about.zone, running.process, None if read is None else read.time))
        sys.stdout.flush()


def _mistake(path: Path, environ: Mapping[str, str]) -> str:
    """Give the first mistake for which a running station would refuse a configuration; empty if there is none."""
    checked = check(path, environ)
    return next(iter(replace(checked, warnings=[]).sentences()), "")
