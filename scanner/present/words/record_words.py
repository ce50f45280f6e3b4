"""What alerts and reports say of the stored study: the results of a kind of setup, and their limits."""

from __future__ import annotations

from typing import TYPE_CHECKING

from scanner.clocks import DAY
from scanner.market.digits import grouped, with_minus
from scanner.wording.times import closing_date, date
from scanner.wording.words import number_of

if TYPE_CHECKING:
    from scanner.studies.kept.record import KindRecord, Record

NOBODY = "No study of your bars is kept, so how setups of this kind did is unknown."
UNREADABLE = "How setups of this kind did is unknown: the kept study cannot be read."
NO_RECORD = "No study is kept, and alerts say so; `closewatch study FILE… --config CONFIG.toml --keep` keeps one."


def in_alert(
    record: Record, known: KindRecord | None, *, is_aside: bool, same_rules: bool, now: int, max_age: int, zone: str
) -> str:
    """Give the results of a kind of setup in the stored study; ``known`` is None if there are none.

    ``is_aside`` says that the alert's setup was set aside; the study counts its kind without these. ``now`` is in
    nanoseconds since 1970 UTC, ``max_age`` in days.
    """
    of_kind = "of this kind that were not set aside" if is_aside else "of this kind"
    studied = f"(study of {date(record.at, zone)}, bars to {closing_date(record.last)})"
    if known is None or not known.closed:
        said = f"So far none {of_kind} closed on your bars {studied}."
    else:
        said = f"So far {grouped(known.closed)} {of_kind} on your bars: {came_to(known, record.looks)} {studied}."
    return " ".join([said, *_doubts(record, same_rules=same_rules, now=now, max_age=max_age)])


def in_report(record: Record, others: int, instruments: int, now: int, max_age: int, zone: str) -> str:
    """Describe the stored study, for reports; ``others`` of the watched instruments have rules that it did not use."""
    closed = sum(each.closed for each in record.kinds)
    said = (
        f"Alerts quote the study of {date(record.at, zone)}, of bars from {date(record.first, 'UTC')} to "
        f"{closing_date(record.last)}: {number_of(len(record.kinds), 'kind')} of setup, {grouped(closed)} closed."
    )
    doubts = _doubts(record, same_rules=True, now=now, max_age=max_age)
    if others:
        doubts.append(
            f"{grouped(others)} of {grouped(instruments)} instruments are watched by other rules or costs than it used."
        )
    return " ".join([said, *doubts])


def came_to(known: KindRecord, looks: int) -> str:
    """Give the results of a kind of setup."""
    mean, low, high, rest = known.mean, known.low, known.high, known.without_best
    if known.share is None or mean is None or low is None or high is None or rest is None:
        return "too few to say anything"
    counting = f" once {number_of(looks, 'look')} and chance are counted"
    verdict = {
        "too_few": "too few to say anything",
        "no_sign": "no sign of an edge" + (counting if low > 0 else ""),
        "edge": "more than chance so far, which promises nothing",
        "loses": "it has lost so far",
    }[known.verdict]
    share = f"{known.share:.0%}".replace("%", " %")
    between = f"95 % interval {_in_r(low)} … {_in_r(high)}"
    told = f"mean {_in_r(mean)} R net of costs ({between}), without the best 1 % {_in_r(rest)} R"
    return f"{share} winners, {told}: {verdict}"


def _in_r(value: float) -> str:
    return with_minus(f"{round(value, 2) + 0.0:+.2f}")


def _doubts(record: Record, *, same_rules: bool, now: int, max_age: int) -> list[str]:
    days = (now - record.last) // DAY
    return [
        *(
            [f"That study is old: its last bar was {grouped(days)} days ago, and you allow {grouped(max_age)}."]
            if days > max_age
            else []
        ),
        *([] if same_rules else ["It used other rules or costs than you do now."]),
    ]
