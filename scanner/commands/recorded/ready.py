"""What commands that look for setups in recordings do before the first bar."""

from __future__ import annotations

from typing import TYPE_CHECKING

from scanner.commands import output
from scanner.engine.ready import needs_compiling

if TYPE_CHECKING:
    from scanner.replays.recordings import Reading


def make_ready(reading: Reading) -> None:
    """Announce the wait for the compiler if there is one, and try the user's own setups."""
    output.announce_compiling(needed=needs_compiling(reading.rulebook))
    if reading.settings is not None:
        from scanner.configuration.model.wrong_setups import try_own_setups  # noqa: PLC0415 - heavy, and seldom needed

        try_own_setups(reading.settings)
