"""The journal and the review as text: a row for each setup, and figures with their uncertainty."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from scanner.journal.entries import BROKEN
from scanner.journal.figures import TOO_FEW
from scanner.journal.stories import short_ids
from scanner.wording.cautions import SHORT
from scanner.wording.tables import fitted, table
from scanner.wording.text import plain
from scanner.wording.times import bar_time, city, date
from scanner.wording.words import STATE_WORDS, counted, money

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from decimal import Decimal

    from scanner.journal.entries import Broken, JournalEntry
    from scanner.journal.figures import JournalFigures
    from scanner.journal.review import Group, Review

NAME_LENGTH = 16
HEADS = (
    *("bar", "instrument", "tf", "setup", "side", "id", "decision", "aside", "planned", "filled", "yours", "1st stop"),
    *("last stop", "exit", "left at", "state", "R", "your R", "cost", "otherwise", "held", "broken"),
)
NAMED = HEADS.index("decision")
"""Number of first columns that identify the setup of a row."""
FLUSH_LEFT = {"bar", "instrument", "tf", "setup", "side", "id", "decision", "aside", "state", "broken"}
RARE = ("aside", "left at", "cost", "broken")
"""Columns shown only if they are not empty."""
BROKEN_WORDS: Mapping[Broken, str] = {
    "set_aside": "taken though set aside",
    "beyond_plan": "entered beyond the plan by more than a tenth of R",
    "too_large": "taken larger than planned",
    "before_exit_signal": "left before an exit signal",
}
BROKEN_SHORT: Mapping[Broken, str] = {
    "set_aside": "aside",
    "beyond_plan": "entry",
    "too_large": "size",
    "before_exit_signal": "exit",
}
GROUPS: Mapping[Group, str] = {"taken": "taken", "own": "your prices", "passed": "passed", "all": "all"}
LEGEND = (
    "R: the result before costs, by the rules, or by your own fill and exit where you",
    "gave them in time; 1 R is the distance from the fill to the first stop. Your R: from",
    "your own prices alone.",
)
OTHERWISE = "otherwise: R of the opposite decision: 0 if you took it, else the R of the rules."


def state_in_words(entry: JournalEntry) -> str:
    """Give the state of a setup; a dash if it plans no entry."""
    if entry.state is None:
        return "-"
    return "withdrawn" if entry.state == "withdrawn" else STATE_WORDS[entry.state]


def bar_of(entry: JournalEntry, zone: str) -> str:
    """Name the setup's last bar."""
    return bar_time(entry.bar_open, entry.found, zone, entry.timeframe)


def price(value: Decimal | None) -> str:
    """Write a price or a size; a dash if there is none."""
    return "-" if value is None else f"{value:f}"


def signed(value: Decimal | None) -> str:
    """Write a result with its sign; a dash if there is none."""
    return "-" if value is None else f"{value:+f}"


def in_money(value: Decimal | None) -> str:
    """Write a result in money; a dash if there is none."""
    return "-" if value is None else money(value)


def journal_table(entries: Sequence[JournalEntry], zone: str, width: int | None) -> list[str]:
    """Give a table with a row for each entry, or blocks if ``width`` columns are too few, and its notes."""
    ids = short_ids([each.id for each in entries])
    rows = [_row(each, ids[each.id], zone) for each in entries]
    alike = ["setup"] if len({each.setup for each in entries}) == 1 else []
    without = [head for head in RARE if not {row[HEADS.index(head)] for row in rows} - {"-"}]
    lines = fitted(HEADS, rows, width, NAMED, FLUSH_LEFT, [*without, *alike])
    decisions = Counter(each.decision for each in entries)
    told = f"{counted(len(entries), 'setup')}: {decisions['taken']:,} taken, {decisions['passed']:,} passed"
    used = sorted({kind for each in entries for kind in each.broken}, key=BROKEN.index)
    broken = [f"broken, {BROKEN_SHORT[kind]}: {BROKEN_WORDS[kind]}." for kind in used]
    return [*lines, "", f"{told}, {decisions[None]:,} neither.", *LEGEND, OTHERWISE, *broken, "", SHORT]


def _row(entry: JournalEntry, short: str, zone: str) -> tuple[str, ...]:
    return (
        bar_of(entry, zone),
        plain(entry.instrument, NAME_LENGTH),
        entry.timeframe,
        entry.setup,
        entry.direction,
        short,
        entry.decision or "-",
        "yes" if entry.set_aside else "-",
        price(entry.planned_entry),
        price(entry.entry),
        price(entry.own_price),
        price(entry.first_stop),
        price(entry.last_stop),
        price(entry.exit),
        price(entry.left_price),
        state_in_words(entry),
        signed(entry.r),
        signed(entry.own_r),
        price(entry.cost_r),
        signed(entry.otherwise_r),
        "-" if entry.bars_held is None else f"{entry.bars_held:,}",
        ", ".join(BROKEN_SHORT[kind] for kind in entry.broken) or "-",
    )


def review_lines(found: Review, zone: str) -> list[str]:
    """Give a review as text, 80 columns wide at most."""
    counts = (
        ("setups found", found.found, f", {found.set_aside:,} of them set aside" if found.set_aside else ""),
        ("taken", found.taken, ""),
        ("passed", found.passed, ""),
        ("entered", found.entered, " by the rules"),
        ("closed", found.closed, " by the rules"),
    )
    return [
        f"{date(found.since, zone)} to {date(found.until - 1, zone)} ({city(zone)})",
        "",
        *(f"{name:<14}{count:,}{more}" for name, count, more in counts),
        "",
        *_figures(found),
        *_broken(found.broken),
        "",
        SHORT,
    ]


def _figures(found: Review) -> list[str]:
    heads, rows, notes = figure_rows(found)
    if not rows:
        return ["Nothing was closed, so no result can be shown; `closewatch journal` lists what was found, and when."]
    lines = table(heads, rows)
    lines += [
        "",
        "Taken, passed and all follow the rules, except where you gave your own fill or",
        "exit in time; the column of your prices uses these alone. All excludes what was",
        "set aside. R is before costs. The intervals are Wilson's for winners, and those",
        "of a bootstrap for the mean R.",
    ]
    return [*lines, *notes]


def figure_rows(found: Review) -> tuple[Sequence[str], list[tuple[str, ...]], list[str]]:
    """Give the figures of a review as a table, its heads first, and sentences that go with them.

    There are no rows if there is no result.
    """
    if not any(each.closed for each in found.figures.values()):
        return (), [], []
    shown = {group: found.figures[group] for group in GROUPS}
    rows = [
        ("closed", *(f"{each.closed:,}" for each in shown.values())),
        ("winners", *(_winners(each) for each in shown.values())),
        ("  95 % interval", *(_share_between(each) for each in shown.values())),
        ("mean R", *(signed(each.mean) for each in shown.values())),
        ("  95 % interval", *(_mean_between(each) for each in shown.values())),
        ("sum of R", *(signed(each.total) if each.closed else "-" for each in shown.values())),
        ("  without best", *(signed(each.without_best) if each.closed > 1 else "-" for each in shown.values())),
        ("costs in R", *(_costs(each) for each in shown.values())),
    ]
    notes = []
    if any(0 < each.closed < TOO_FEW for each in shown.values()):
        notes.append(f"With fewer than {TOO_FEW} results nothing can be said.")
    if (aside := found.figures["set_aside"]).closed:
        notes.append(f"Set aside and closed all the same: {aside.closed:,}, {signed(aside.total)} R in all.")
    return ("results", *GROUPS.values()), rows, notes


def _winners(each: JournalFigures) -> str:
    return f"{each.winners:,} ({100 * each.winners / each.closed:.0f} %)" if each.closed else "-"


def _share_between(each: JournalFigures) -> str:
    if each.share_between is None:
        return "too few to say" if each.closed else "-"
    low, high = each.share_between
    return f"{100 * low:.0f} to {100 * high:.0f} %"


def _mean_between(each: JournalFigures) -> str:
    if each.mean_between is None:
        return "too few to say" if each.closed else "-"
    low, high = each.mean_between
    return f"{low:+.2f} to {high:+.2f}"


def _costs(each: JournalFigures) -> str:
    if not each.costed:
        return "-"
    return f"{each.cost:f}" + (f" (of {each.costed:,})" if each.costed < each.closed else "")


def _broken(found: Mapping[Broken, int]) -> list[str]:
    if not sum(found.values()):
        return ["", "Rules broken: none, as far as your decisions show."]
    return ["", "Rules broken:", *(f"{found[kind]:>4,}  {BROKEN_WORDS[kind]}" for kind in BROKEN if found.get(kind))]
