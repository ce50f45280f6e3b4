"""How often a place holds at any bar, and at the bars of setups: ``python -m tests.outside.places_at_random``.

A place that holds nearly everywhere filters nothing. The bars are all warm bars of the real daily series that come with
the tests, each examined from both sides.
"""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from scanner.analysis.door.known_setups import by_default
from scanner.analysis.places.words import PLACE_NAMES
from scanner.analysis.pool import Pool
from scanner.analysis.rules import Rules
from scanner.analysis.series import Series
from scanner.market.splits import suspected_split
from scanner.wording.tables import table
from tests.laws import REAL_SERIES, real_series, timetable

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from scanner.analysis.places.surrounded import Around

ANY = "any"


def held_at(around: Around) -> Iterator[str]:
    """Name the places that hold around a bar."""
    held = [name for name in PLACE_NAMES if around.places[name]]
    yield from held
    if held:
        yield ANY


def counted(rules: Rules, names: Sequence[str] = REAL_SERIES) -> tuple[Counter[str], Counter[str]]:
    """Count the places at all warm bars, and at those that meet the own rules of a setup watched by default.

    The number of bars and sides examined is counted under an empty name.
    """
    at_all, at_setups = Counter[str](), Counter[str]()
    for name in names:
        bars = real_series(name)
        series = Series(Pool(rules, by_default(), timetable("1d"), room=1))
        for number in range(len(bars)):
            found: list[int] = []
            for stop in series.take(bars[number : number + 1]):
                found = [sign for _, spots in stop.setups for sign in spots[:, 2].tolist()]
                if any(is_split(series, index) for _, index in stop.jumps):
                    series.restart()
            if not series.warm:
                continue
            for sign in (1, -1):
                around = series.look(series.used - 1, sign)
                at_all.update(["", *held_at(around)])
                if sign in found:
                    at_setups.update(["", *held_at(around)])
    return at_all, at_setups


def is_split(series: Series, index: int) -> bool:
    """Whether a jump looks like a split, which makes earlier prices meaningless."""
    last, opened = float(series.columns[3, index - 1]), float(series.columns[0, index])
    atr = float(series.pool.state["atr"][series.row])
    return suspected_split(last, opened, atr, series.pool.rules.hold_atr) is not None


def main() -> None:
    """Print the shares."""
    found = {quality: counted(Rules(place_quality=quality)) for quality in ("plain", "strict")}
    rows = [
        (
            f"{name}",
            *(f"{100 * counts[name] / counts['']:.1f} %" for quality in found for counts in found[quality]),
        )
        for name in (*PLACE_NAMES, ANY)
    ]
    looked = [f"{counts['']:,}" for quality in found for counts in found[quality]]
    heads = ("place", "plain, any bar", "plain, setup", "strict, any bar", "strict, setup")
    print("\n".join(table(heads, [*rows, ("looked at", *looked)], left=(0,))))  # noqa: T201 - the purpose of the command


if __name__ == "__main__":
    main()
