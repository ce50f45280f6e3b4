"""What commands that look for setups do before the first bar."""

from __future__ import annotations

from typing import TYPE_CHECKING

from scanner.commands import output
from scanner.engine import ready

if TYPE_CHECKING:
    from collections.abc import Collection

    from scanner.configuration.model.settings import Settings
    from scanner.trade.rulebook import Rulebook


def compile_once(rulebooks: Collection[Rulebook], settings: Settings | None = None) -> None:
    """Compile what was never compiled on this machine, whether the bars will need all of it or not, after saying so.

    The user's own setups of a configuration are tried first, for which the compiler is needed as well.
    """
    needed = any(map(ready.needs_compiling, rulebooks))
    if needed:
        output.tell("Compiling the rules for this machine, once: up to half a minute.")
    if settings is not None:
        from scanner.configuration.model.wrong_setups import try_own_setups  # noqa: PLC0415 - heavy, and seldom needed

        try_own_setups(settings)
    if needed:
        ready.make_ready(rulebooks)
