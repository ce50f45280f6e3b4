"""What a configuration must say of its instruments so that they can be watched."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

from scanner.configuration.mistakes import Mistake
from scanner.market.sessions.timeframes import ALL, Timeframe

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Mapping, Sequence

    from scanner.configuration.mistakes import Path as Keys

NEEDED = {"feed": '"NAME"', "step": '"0.01"', "timeframes": '["15m"]'}
"""What an instrument must have to be watched, with an example of each."""


class Table(Protocol):
    """The settings of instruments that matter here."""

    @property
    def group(self) -> str | None:
        """The group that it names."""

    @property
    def timeframes(self) -> Sequence[str] | None:
        """The timeframes that are watched."""

    @property
    def base(self) -> str | None:
        """The timeframe that they are made of."""


def unwatchable(instruments: Mapping[str, Mapping[Keys, Table]], gone: Collection[Keys] = ()) -> Iterator[Mistake]:
    """Find instruments that lack something needed for watching, and timeframes that cannot be made.

    Each instrument comes with the tables that describe it, by their paths, from its own to the defaults.
    ``gone`` are settings that were taken out because they are wrong; they do not count as missing.
    """
    if not instruments:
        yield Mistake((), "there is nothing to watch; add a table [instruments.NAME]")
    for name, parts in instruments.items():
        group = parts["instruments", name].group
        whole = group is None or ("groups", group) in parts
        missing = [
            key
            for key in NEEDED
            if all(getattr(part, key) is None and (*path, key) not in gone for path, part in parts.items())
        ]
        if missing and whole:
            lines_to_add = " and ".join(f"{key} = {NEEDED[key]}" for key in missing)
            others = "nor has its group or [defaults]" if group else "nor have [defaults]"
            text = f"has no {' and no '.join(missing)}, {others}; add {lines_to_add}"
            yield Mistake(("instruments", name), text)
        given = {
            key: path for key in ("timeframes", "base") for path in reversed(list(parts)) if getattr(parts[path], key)
        }
        if "timeframes" in given:
            yield from _impossible_timeframes(parts, given)


def _impossible_timeframes(parts: Mapping[Keys, Table], given: Mapping[str, Keys]) -> Iterator[Mistake]:
    wanted = sorted(Timeframe.named(each) for each in parts[given["timeframes"]].timeframes or ())
    base = Timeframe.named(parts[given["base"]].base or "") if "base" in given else wanted[0]
    wrong = [each.name for each in wanted if each.seconds % base.seconds or each < base]
    if wrong:
        fitting = max(each for each in ALL if not any(one.seconds % each.seconds for one in wanted))
        key = "base" if "base" in given else "timeframes"
        text = f'{" and ".join(wrong)} bars cannot be made of {base.name} bars; set base = "{fitting.name}"'
        yield Mistake((*given[key], key), text)
