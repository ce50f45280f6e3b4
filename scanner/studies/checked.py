"""What a study left out: rows that the guard refused or noted, and series that were not judged, or not throughout."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping  # noqa: TC003 - pydantic reads the annotations
from dataclasses import dataclass
from itertools import groupby
from operator import attrgetter
from typing import TYPE_CHECKING

from scanner.wording.words import NAMED, by_reason, counted, name, named

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

NAME_LENGTH = 60


@dataclass(frozen=True, slots=True)
class CheckedRows:
    """The rows read from a file, or from a table in memory, and those refused and noted, by reason.

    The guard's reasons count rows, except «missing bars».
    """

    file: str
    rows: int
    refused: Mapping[str, int]
    noted: Mapping[str, int]


@dataclass(frozen=True, slots=True)
class Unjudged:
    """A series, «instrument/timeframe», none of whose bars was judged, or that was put on hold, ``holds`` times."""

    series: str
    judged: int
    holds: int


def summed(file: str, several: Iterable[CheckedRows]) -> CheckedRows:
    """Give the sum of several counts as that of one file; reasons are sorted."""
    rows, refused, noted = 0, Counter[str](), Counter[str]()
    for each in several:
        rows += each.rows
        refused.update(each.refused)
        noted.update(each.noted)
    return CheckedRows(file, rows, dict(sorted(refused.items())), dict(sorted(noted.items())))


def by_file(checked: Iterable[CheckedRows]) -> tuple[CheckedRows, ...]:
    """Give one count for each file, by name; a file with several instruments has one for each before."""
    in_order = sorted(checked, key=attrgetter("file"))
    return tuple(summed(file, several) for file, several in groupby(in_order, attrgetter("file")))


def left_out(checked: Sequence[CheckedRows], unjudged: Sequence[Unjudged]) -> list[str]:
    """Say what a study left out, in a sentence for each kind; there may be none."""
    return [each for each in (told(checked), too_short(unjudged), put_on_hold(unjudged)) if each]


def too_short(unjudged: Sequence[Unjudged]) -> str:
    """Say which series contributed nothing; empty if all did.

    >>> too_short([Unjudged("GANNET/1d", 0, 0), Unjudged("PUFFIN/1d", 0, 2), Unjudged("FULMAR/1d", 9, 1)])
    '2 series left out, since they have too few bars for the rules: GANNET/1d, PUFFIN/1d'
    """
    short = [each for each in unjudged if not each.judged]
    if not short:
        return ""
    they = "it has" if len(short) == 1 else "they have"
    return f"{len(short):,} series left out, since {they} too few bars for the rules: {_names(short)}"


def put_on_hold(unjudged: Sequence[Unjudged]) -> str:
    """Say which series were put on hold for a while; empty if none was.

    >>> put_on_hold([Unjudged("GANNET/1d", 0, 0), Unjudged("PUFFIN/1d", 0, 2), Unjudged("FULMAR/1d", 9, 1)])
    '2 series put on hold, 3 times in all, where a price jump may be a split: PUFFIN/1d, FULMAR/1d'
    """
    held = sorted((each for each in unjudged if each.holds), key=lambda each: (-each.holds, each.series))
    if not held:
        return ""
    times = f"{counted(sum(each.holds for each in held), 'time')} in all"
    return f"{len(held):,} series put on hold, {times}, where a price jump may be a split: {_names(held)}"


def _names(series: Sequence[Unjudged]) -> str:
    return named([name(each.series, NAME_LENGTH) for each in series])


def told(checked: Sequence[CheckedRows]) -> str:
    """Say what was refused and noted, in which files; empty if there is nothing to say.

    >>> told([CheckedRows("a.csv", 900, {"not ended": 1}, {"no trade": 20}), CheckedRows("b.csv", 100, {}, {})])
    '1,000 rows read, 1 refused (1 not ended), 20 noted (20 no trade): a.csv 1 refused and 20 noted'
    """
    odd = [each for each in checked if each.refused or each.noted]
    if not odd:
        return ""
    odd.sort(key=lambda each: (-sum(each.refused.values()), -sum(each.noted.values()), each.file))
    every, rest = summed("", checked), odd[NAMED:]
    heads = [f"{every.rows:,} rows read"]
    for what, reasons in (("refused", every.refused), ("noted", every.noted)):
        heads += [f"{sum(reasons.values()):,} {what} ({by_reason(reasons)})"] if reasons else []
    files = [_amount(each) for each in odd[:NAMED]]
    files += [_amount(summed(counted(len(rest), "more file"), rest))] if rest else []
    return f"{', '.join(heads)}: {'; '.join(files)}"


def _amount(each: CheckedRows) -> str:
    amounts = (("refused", each.refused), ("noted", each.noted))
    told = [f"{sum(reasons.values()):,} {what}" for what, reasons in amounts if reasons]
    return f"{name(each.file, NAME_LENGTH)} {' and '.join(told)}"
