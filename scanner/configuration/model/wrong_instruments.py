"""What is missing or contradictory in the settings of instruments."""

from __future__ import annotations

from typing import TYPE_CHECKING

from scanner.configuration.mistakes import Mistake
from scanner.market.costs import COST_NAMES
from scanner.market.instruments import wrong_currency
from scanner.market.sessions.timeframes import ALL, Timeframe

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Mapping

    from scanner.configuration.model.document import Document
    from scanner.configuration.model.tables import InstrumentSettings
    from scanner.configuration.toml_files.lines import Keys

NEEDED = {"feed": '"NAME"', "step": '"0.01"', "timeframes": '["15m"]'}
"""What an instrument must have to be watched, with an example of each."""


def unwatchable(document: Document, gone: Collection[Keys] = ()) -> Iterator[Mistake]:
    """Find instruments that lack something needed for watching, and timeframes that cannot be made.

    ``gone`` are settings that were taken out because they are wrong; they do not count as missing.
    """
    if not document.instruments:
        yield Mistake((), "there is nothing to watch; add a table [instruments.NAME]")
    for name, own in document.instruments.items():
        parts: dict[Keys, InstrumentSettings] = dict(document.parts(name))
        whole = own.group is None or ("groups", own.group) in parts
        missing = [
            key
            for key in NEEDED
            if all(getattr(part, key) is None and (*path, key) not in gone for path, part in parts.items())
        ]
        if missing and whole:
            lines_to_add = " and ".join(f"{key} = {NEEDED[key]}" for key in missing)
            others = "nor has its group or [defaults]" if own.group else "nor have [defaults]"
            text = f"has no {' and no '.join(missing)}, {others}; add {lines_to_add}"
            yield Mistake(("instruments", name), text)
        given = {
            key: path for key in ("timeframes", "base") for path in reversed(list(parts)) if getattr(parts[path], key)
        }
        if "timeframes" in given:
            yield from _impossible_timeframes(parts, given)


def _impossible_timeframes(parts: Mapping[Keys, InstrumentSettings], given: Mapping[str, Keys]) -> Iterator[Mistake]:
    wanted = sorted(Timeframe.named(each) for each in parts[given["timeframes"]].timeframes or ())
    base = Timeframe.named(parts[given["base"]].base or "") if "base" in given else wanted[0]
    wrong = [each.name for each in wanted if each.seconds % base.seconds or each < base]
    if wrong:
        fitting = max(each for each in ALL if not any(one.seconds % each.seconds for one in wanted))
        key = "base" if "base" in given else "timeframes"
        text = f'{" and ".join(wrong)} bars cannot be made of {base.name} bars; set base = "{fitting.name}"'
        yield Mistake((*given[key], key), text)


def wrong_costs(document: Document) -> Iterator[Mistake]:
    """Find costs in money whose currency is not that of the prices."""
    for name in document.instruments:
        currency, costs = document.setting_of(name, "currency") or "", document.costs_of(name)
        for cost_name in COST_NAMES:
            cost = getattr(costs, cost_name)
            if cost is not None and (wrong := wrong_currency(cost, currency)):
                yield Mistake(("instruments", name, "costs", cost_name), wrong)
