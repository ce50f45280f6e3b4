"""The report of a replay: every setup as a row, those set aside, the holds, then what was read, refused and found."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from scanner.event_data import chosen_entry
from scanner.replays.replay import Outcomes
from scanner.wording.tables import fitted, table
from scanner.wording.text import plain
from scanner.wording.times import bar_time, in_zone, parse_time
from scanner.wording.words import STATE_WORDS, by_reason

if TYPE_CHECKING:
    from collections.abc import Sequence

    from scanner.event_data import State
    from scanner.events import Event
    from scanner.follow.outcome import Came
    from scanner.replays.replay import Tally

NAME_LENGTH = 16
HEADS = (
    *("bar", "instrument", "tf", "setup", "side", "place", "evidence", "entry", "stop", "1R at", "room", "exit"),
    *("outcome", "R", "cost"),
)
NAMED = HEADS.index("evidence")
"""Number of first columns that identify the setup of a row."""
FLUSH_LEFT = {*HEADS[:NAMED], "outcome"}
RARE = {"waiting", "broken off"}
"""Shown only if there are some."""
UNFOLLOWED = ("no entry", "-", "-")
"""Shown for a setup without a planned entry of the followed style."""


class ReplayReport:
    """Takes events and outcomes as they come, and keeps only the texts that a table or a line shows.

    Ten thousand are common.
    """

    def __init__(self, zone: str) -> None:
        self.zone = zone
        self._setups: list[tuple[str, tuple[str, ...]]] = []  # the thread, and the row
        self._set_aside: list[tuple[str, str]] = []
        self._holds: list[str] = []
        self._outcomes: dict[str, tuple[State, str, str]] = {}

    def add(self, event: Event) -> None:
        """Take an event."""
        if event.kind == "setup.qualified":
            self._setups.append((event.thread, _row(event, self.zone)))
        elif event.kind == "setup.set_aside":
            data = event.data
            text = f"{data['title']} {data['direction']}: {data['set_aside']}"
            self._set_aside.append((event.thread, _line(event, self.zone, text)))
        elif event.facts.about == "series":
            self._holds.append(_line(event, self.zone, event.data["reason"]))

    def learn(self, came: Came) -> None:
        """Take the outcome of a setup."""
        self._outcomes[came.thread] = _ended(came)

    def lines(self, width: int | None) -> list[str]:
        """Give the setups as a table, or as blocks if ``width`` columns are too few, and the rest."""
        rows = [(*row, *_cells(self._outcomes.get(thread))) for thread, row in self._setups]
        found = [*_table(rows, width), ""] if rows else []
        aside = [
            f"{line}; followed: {_in_words(self._outcomes[thread])}" if thread in self._outcomes else line
            for thread, line in self._set_aside
        ]
        for title, lines in (("set aside:", aside), ("on hold:", self._holds)):
            found += [title, *lines, ""] if lines else []
        return found


def _ended(came: Came) -> tuple[State, str, str]:
    """Give the outcome of a setup: its state, R and costs."""
    r, cost = came.r, came.cost
    return came.state, "-" if r is None else f"{r:+f}", "-" if cost is None else f"{cost:f}"


def _cells(ended: tuple[State, str, str] | None) -> tuple[str, str, str]:
    return UNFOLLOWED if ended is None else (STATE_WORDS[ended[0]], *ended[1:])


def _in_words(ended: tuple[State, str, str]) -> str:
    state, r, _ = ended
    return STATE_WORDS[state] if r == "-" else f"{STATE_WORDS[state]} {r} R"


def _when(event: Event, zone: str) -> str:
    return bar_time(parse_time(event.data["bar_open"]), event.time, zone, event.data["timeframe"])


def _day(time: int, zone: str) -> str:
    return in_zone(time, zone).date().isoformat()


def _row(event: Event, zone: str) -> tuple[str, ...]:
    data = event.data
    entry = chosen_entry(data)
    return (
        _when(event, zone),
        plain(data["instrument"], NAME_LENGTH),
        data["timeframe"],
        data["setup"],
        data["direction"],
        data["place"] or "-",
        f"{data['evidence_points']} of {data['evidence_total']}",
        entry["price"] or "-",
        data["levels"]["stop"],
        (entry["objectives"] or ["-"])[0],
        entry["room"] or "-",
        data["exit_plan"]["style"],
    )


def _line(event: Event, zone: str, what: str) -> str:
    """Give what else there was at a bar besides a setup to act on."""
    data = event.data
    return f"{_when(event, zone)}  {plain(data['instrument'], NAME_LENGTH)} {data['timeframe']}: {what}"


def _table(rows: list[tuple[str, ...]], width: int | None) -> list[str]:
    """Make the table; it names the setup only if there are several, and has costs only if some are known."""
    several, costs = ({row[HEADS.index(head)] for row in rows} for head in ("setup", "cost"))
    without = ([] if len(several) > 1 else ["setup"]) + ([] if costs - {"-"} else ["cost"])
    return fitted(HEADS, rows, width, NAMED, FLUSH_LEFT, without)


def _counted(reasons: Counter[str]) -> str:
    return f"{reasons.total():,} ({by_reason(reasons)})" if reasons else "0"


def _guesses(tallies: Sequence[Tally]) -> list[str]:
    """Say how many price steps are estimates, and how many of the prices looked at are multiples of them."""
    guessed = [(tally, tally.guessed_step) for tally in tallies if tally.guessed_step is not None]
    if not guessed:
        return []
    fitting, prices = sum(step.fitting for _, step in guessed), sum(step.prices for _, step in guessed)
    return [
        (
            f"price step    estimated for {len(guessed):,} of {len(tallies):,} instruments; "
            f"{fitting:,} of {prices:,} prices fit"
        ),
        *(
            f"{'':14}{plain(tally.symbol, NAME_LENGTH)} {step.step:f}: {step.fitting:,} of {step.prices:,} prices fit"
            for tally, step in guessed
            if step.fitting < step.prices
        ),
    ]


def _came_of(what: str, ends: Outcomes) -> list[str]:
    """Give the outcomes of the followed setups: counts, and the sum of R with the caution beside it."""
    if not ends.states:
        return []
    counts = {word: ends.states[state] for state, word in STATE_WORDS.items()}
    told = ", ".join(f"{word} {count:,}" for word, count in counts.items() if count or word not in RARE)
    lines = [f"{what:<14}{ends.states.total():,} (entered {ends.entered:,}; {told})"]
    if ends.closed:
        costs = "before costs"
        if ends.costed:
            costs += f", which were {ends.cost:f} R"
        if 0 < ends.costed < ends.closed:
            costs += f" for the {ends.costed:,} whose costs are known"
        sums = f"{ends.r:+f} R in all"
        if ends.closed > 1:
            sums += f", {ends.r - ends.best:+f} without the best"
        lines.append(f"{'':14}{sums}, of {ends.closed:,} closed, {costs}; past results prove nothing")
    return lines


def summary(tallies: Sequence[Tally], zone: str) -> list[str]:
    """Give what was read, refused and found: a row for each recording, and the sum."""
    rows = [
        (
            plain(tally.symbol, NAME_LENGTH),
            ",".join(tally.timeframes),
            "-" if tally.first is None else _day(tally.first, zone),
            "-" if tally.last is None else _day(tally.last - 1, zone),
            f"{tally.bars:,}",
            f"{tally.refused.total():,}",
            f"{tally.setups['long']}",
            f"{tally.setups['short']}",
            tally.step + (" estimated" if tally.guessed_step else ""),
        )
        for tally in tallies
    ]
    heads = ("instrument", "tf", "first", "last", "bars", "refused", "long", "short", "price step")
    return [
        *table(heads, rows, left=(0, 1)),
        "",
        f"bars read     {sum(tally.rows for tally in tallies):,}",
        f"refused       {_counted(sum((tally.refused for tally in tallies), Counter()))}",
        f"noted         {_counted(sum((tally.noted for tally in tallies), Counter()))}",
        f"put on hold   {sum(tally.held for tally in tallies):,}",
        f"setups found  {sum(tally.setups.total() for tally in tallies):,}",
        f"set aside     {sum(tally.set_aside for tally in tallies):,}",
        *_came_of("followed", sum((tally.ends for tally in tallies), Outcomes())),
        *_came_of("aside", sum((tally.ends_aside for tally in tallies), Outcomes())),
        *_guesses(tallies),
        *(f"not warm      {plain(tally.symbol, NAME_LENGTH)} {each}" for tally in tallies for each in tally.unready),
    ]
