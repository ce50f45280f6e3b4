"""``closewatch take``, ``pass``, ``leave`` and ``note``: the user's decisions on a setup, beside the station."""

from __future__ import annotations

from typing import TYPE_CHECKING

from scanner.commands import output
from scanner.commands.journal.deciding import SeveralFitError, Wish, keep, number
from scanner.commands.trouble import UsageError
from scanner.store.trouble import StoreReadOnlyError

if TYPE_CHECKING:
    from scanner.commands.station.which_store import StoreChoice
    from scanner.store.decisions import Decided


def decide(
    choice: StoreChoice, story: str, kind: Decided, *, price: str | None = None, size: str | None = None, text: str
) -> None:
    """Record a decision on a story, and say so; UsageError if it cannot be recorded."""
    own_price = None if price is None else number(price, "price")
    own_size = None if size is None else number(size, "size")
    if not choice.store.is_file():
        raise UsageError(f"{choice.store}: there is no store here; give the one that `closewatch watch` fills")
    try:
        with choice.visited() as store:
            _, lines = keep(store, Wish(story, kind, own_price, own_size, text), choice.zone)
    except SeveralFitError as problem:
        output.say(*problem.listed)
        raise
    except StoreReadOnlyError as problem:
        raise UsageError(str(problem)) from problem
    output.say(*lines)
