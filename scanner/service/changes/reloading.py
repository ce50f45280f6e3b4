"""Reading the configuration again while watching: it is taken as a whole, or refused with the reasons."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from traceback import format_exception
from typing import TYPE_CHECKING

from scanner.configuration.check import check
from scanner.configuration.hazards import hazards
from scanner.configuration.model.settings import SettingsError
from scanner.service.changes import config_mark
from scanner.store import StoreTroubleError

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from scanner.service.station import Station


READ_WITHIN = 60.0
"""Seconds that reading a configuration may take; a disk or a network share may never answer."""


async def reload_from(
    path: Path, environ: Mapping[str, str], station: Station, *, read_within: float = READ_WITHIN
) -> bool:
    """Let a station watch the list that its configuration has now; returns whether it does.

    Never raises, so that the caller can ask again.
    """
    try:
        async with asyncio.timeout(read_within):
            checked = await asyncio.to_thread(check, path, environ)
        if checked.settings is None:
            return _refused(station, replace(checked, warnings=[]).sentences())
        changed = await station.reload(checked.settings)
    except (SettingsError, StoreTroubleError) as problem:
        return _refused(station, [str(problem)])
    except TimeoutError:
        return _refused(station, [f"{path}: it could not be read within {read_within:g} s; see whether its disk fails"])
    except Exception as problem:  # noqa: BLE001 - a defect met in one file must not prevent reading the next
        where = "".join(format_exception(problem))
        station.log.error("reading the configuration failed", problem=where)  # noqa: TRY400 - our log has no tracebacks
        return _refused(station, [f"{path}: reading it failed ({type(problem).__name__}: {problem})"])
    config_mark.keep(station)
    warn(station)
    station.log.info("list read again", instruments=len(station.watched), new_or_different=changed)
    return True


def warn(station: Station) -> None:
    """Log the warnings about the configuration."""
    for each in hazards(station.settings, station.clock.now()):
        station.log.warning(each.sentence)


def _refused(station: Station, reasons: list[str]) -> bool:
    station.log.error("the configuration was not taken, the list stays as it was", reasons=reasons)
    more = f" (and {len(reasons) - 1:,} more, in the log)" if len(reasons) > 1 else ""
    station.to_report.note(f"the configuration was not taken, the list stays as it was: {reasons[0]}{more}")
    return False
