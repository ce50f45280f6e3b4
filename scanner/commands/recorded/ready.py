"""What commands that look for setups in recordings do before the first bar."""

from __future__ import annotations

from typing import TYPE_CHECKING

from scanner.commands import output
from scanner.engine import ready

if TYPE_CHECKING:
    from scanner.replays.recordings import Reading
    from scanner.trade.rulebook import Rulebook


def compile_once(rulebook: Rulebook) -> None:
    """Compile what was never compiled on this machine, whether the bars will need all of it or not, after saying so."""
    if ready.needs_compiling(rulebook):
        output.announce_compiling()
        ready.make_ready([rulebook])


def make_ready(reading: Reading) -> None:
    """Try the user's own setups, and compile the rules as ``compile_once`` does."""
    needed = ready.needs_compiling(reading.rulebook)
    if needed:
        output.announce_compiling()  # the trial has to wait for the compiler as well
    if reading.settings is not None:
        from scanner.configuration.model.wrong_setups import try_own_setups  # noqa: PLC0415 - heavy, and seldom needed

        try_own_setups(reading.settings)
    if needed:
        ready.make_ready([reading.rulebook])
