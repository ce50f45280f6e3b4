"""Planted cases that must be found: every branch of places, plan and evidence, and rules met to the step."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from demo_feed.case import Case, only
from demo_feed.rule_check import CROSS_WINDOW, USUAL, A, B, D
from demo_feed.sketches import close_b_at, to_beat

if TYPE_CHECKING:
    from demo_feed.rule_check import Floats

PLACES = (
    Case(
        "line",
        "the place is a trend line with two touches and nothing else",
        wanted=lambda o: only("line")(o) and o.places.line_touches == 2,  # noqa: PLR2004 - a pair
    ),
    Case(
        "line_many_touches",
        "the place is a trend line with three touches or more",
        wanted=lambda o: only("line")(o) and o.places.line_touches > 2,  # noqa: PLR2004 - a pair
    ),
    Case(
        "average_fast",
        "the place is the rising 50-bar average and nothing else",
        wanted=lambda o: only("average")(o) and o.places.average == 50,  # noqa: PLR2004 - the rule's own number
    ),
    Case(
        "average_slow",
        "the place is the rising 200-bar average and nothing else",
        wanted=lambda o: only("average")(o) and o.places.average == 200,  # noqa: PLR2004 - the rule's own number
    ),
    Case(
        "level_same_side",
        "the place is a level of earlier turns of the same side",
        wanted=lambda o: only("level")(o) and all(swing.low for swing in o.places.near),
    ),
    Case(
        "level_other_side",
        "the place is a level of earlier turns of the other side, which has changed its part",
        wanted=lambda o: only("level")(o) and not any(swing.low for swing in o.places.near),
    ),
    Case("turn", "the place is a turn after a long move and nothing else", wanted=only("turn")),
    Case(
        "no_turn_when_shallow",
        "another place holds; the market is at its extreme, but the move to it was too small for a turn",
        bend=lambda s, d: s.bent(range_a=s.body_a / d.between(0.51, 0.6), under_a=0.9 + 0 * s.atr),
        wanted=lambda o: o.places.lowest and o.places.depth < 3,  # noqa: PLR2004 - the rule's own number
        rare=True,
    ),
    Case(
        "many_places",
        "line, average and level hold at once; the safest is named first",
        wanted=lambda o: {"line", "average", "level"} <= set(o.places.names),
    ),
    Case(
        "equal_ends",
        "the pullback ends twice at one price; the earlier bar counts",
        wanted=lambda o: bool(o.places.names) and o.places.equal_lows > 1,
    ),
)

PLANS = (
    Case(
        "stop_last_bar",
        "the last bar dips below the doji: the stop stands behind the last bar",
        bend=lambda s, d: s.bent(
            range_d=s.range_a * d.between(0.2, 0.35), range_b=s.body_b / d.between(0.52, 0.62), under_b=0.9 + 0 * s.atr
        ),
        wanted=lambda o: o.plan.stop_base == "last bar",
    ),
    Case(
        "stop_far",
        "the last bar dips too far below the doji: the stop stands behind the doji",
        bend=lambda s, d: s.bent(
            body_a=s.atr * d.between(1.5, 1.9),
            range_a=s.atr * d.between(2.1, 2.9),
            range_d=s.atr * d.between(0.4, 0.7),
            body_b=s.atr * d.between(1.6, 2.2),
            range_b=s.atr * d.between(3.0, 3.8),
            under_b=0.9 + 0 * s.atr,
        ),
        wanted=lambda o: o.plan.stop_base == "doji, last bar too far",
    ),
    Case(
        "quick_beyond_fast",
        "short of the slow average and beyond the fast one: leave quickly, no average entry",
        wanted=lambda o: o.plan.exit == "quick" and o.plan.average is None,
    ),
    Case(
        "quick_average_entry",
        "short of both averages: leave quickly, average entry possible",
        wanted=lambda o: o.plan.exit == "quick" and o.plan.average is not None,
    ),
    Case(
        "ride_beyond_both",
        "beyond both averages: ride, no average entry",
        wanted=lambda o: o.plan.exit == "ride" and o.plan.average is None,
    ),
    Case(
        "ride_average_entry",
        "beyond the slow average and short of the fast one: ride, average entry possible",
        wanted=lambda o: o.plan.exit == "ride" and o.plan.average is not None,
    ),
    Case(
        "obstacle_level",
        "a level is the nearest obstacle",
        wanted=lambda o: o.places.obstacle is not None and not o.places.obstacle_is_average,
    ),
    Case(
        "obstacle_average",
        "the slow average is nearer than any level",
        wanted=lambda o: o.places.obstacle_is_average,
    ),
    Case("no_obstacle", "nothing stands in the way", wanted=lambda o: o.places.obstacle is None),
    Case(
        "stop_one_step",
        "a twentieth of ATR is less than a step: the stop stands one step away",
        wanted=lambda o: o.plan.margin == "step",
    ),
    Case(
        "stop_part_of_atr",
        "a twentieth of ATR is more than a step",
        wanted=lambda o: o.plan.margin == "ATR",
    ),
    Case(
        "gap_away",
        "the next bar opens too far away for the early entry",
        where="closing a session",
        after="gapped away",
    ),
    Case(
        "gap_beyond_stop",
        "the next bar opens beyond the stop: no early entry",
        where="closing a session",
        after="gapped beyond the stop",
    ),
    Case(
        "both_in_one_bar",
        "the next bar reaches both the break entry and the stop",
        after="entry and stop in one bar",
    ),
    Case(
        "average_entry_beyond_b",
        "a later close beyond the fast average is beyond the last bar's extreme too",
        wanted=lambda o: o.plan.average is not None,
        after="average entry",
        beyond_b=True,
    ),
    Case(
        "average_entry_short_of_b",
        "a later close beyond the fast average is not beyond the last bar's extreme",
        bend=lambda s, _: s.bent(range_b=s.body_b / 0.55, under_b=0.05 + 0 * s.atr),
        wanted=lambda o: o.plan.average is not None,
        after="average entry",
    ),
    Case("much_evidence", "nearly everything speaks for it", wanted=lambda o: o.points > 6),  # noqa: PLR2004 - many of ten
    Case(
        "little_evidence",
        "hardly anything speaks for it beyond its place",
        bend=lambda s, d: s.bent(range_d=s.range_a * d.between(0.5, 0.74), volume=s.volume * np.array([1.0, 1.0, 0.4])),
        wanted=lambda o: o.points <= 2,  # noqa: PLR2004 - few of ten
    ),
)


def _whole(values: Floats, unit: int) -> Floats:
    """Round to whole multiples of a unit, at least one."""
    return np.maximum(np.rint(values / unit), 1.0) * unit


AT_THE_EDGE = (
    Case(
        "edge_drive_length",
        "the first drive is exactly as long as the usual body",
        bend=lambda s, d: s.bent(body_a=np.rint(s.usual), range_a=s.usual / d.between(0.62, 0.9), body_b=s.usual),
        wanted=lambda o: o.body(A) * USUAL == int(o.verdicts.usual_sum[0]),
    ),
    Case(
        "edge_drive_solid",
        "the first drive's body is exactly half of its range",
        bend=lambda s, _: s.bent(body_a=np.rint(s.body_a), range_a=2 * np.rint(s.body_a)),
        wanted=lambda o: 2 * o.body(A) == o.span(A),
    ),
    Case(
        "edge_doji_body",
        "the doji's body is exactly a tenth of its range",
        bend=lambda s, d: s.bent(range_d=_whole(s.range_d, 10), body_d=d.side() * _whole(s.range_d, 10) / 10),
        wanted=lambda o: 10 * abs(o.body(D)) == o.span(D) and 20 * abs(o.body(D)) > o.body(A),
    ),
    Case(
        "edge_doji_short",
        "the doji's range is exactly three quarters of the first drive's",
        bend=lambda s, _: s.bent(range_a=_whole(s.range_a, 4), range_d=0.75 * _whole(s.range_a, 4)),
        wanted=lambda o: 4 * o.span(D) == 3 * o.span(A),
    ),
    Case(
        "edge_second_longer",
        "the second drive is exactly 1.75 times the first",
        bend=lambda s, d: s.bent(
            body_a=_whole(s.body_a, 4),
            range_a=_whole(s.body_a, 4) / d.between(0.65, 0.9),
            body_b=1.75 * _whole(s.body_a, 4),
            range_b=1.75 * _whole(s.body_a, 4) / d.between(0.65, 0.9),
        ),
        wanted=lambda o: 4 * o.body(B) == 7 * o.body(A),
    ),
    Case(
        "edge_second_shorter",
        "the first drive is exactly 1.75 times the second",
        bend=lambda s, d: s.bent(
            body_a=_whole(s.body_a, 7),
            range_a=_whole(s.body_a, 7) / d.between(0.65, 0.9),
            range_d=0.35 * s.range_a,
            body_b=_whole(s.body_a, 7) * 4 / 7,
            range_b=_whole(s.body_a, 7) * 4 / 7 / d.between(0.65, 0.9),
        ),
        wanted=lambda o: 7 * o.body(B) == 4 * o.body(A),
    ),
    Case(
        "edge_progress",
        "the last close beats what it must by one step",
        trim=lambda threes: close_b_at(threes, to_beat(threes) + 1),
    ),
    Case(
        "edge_momentum",
        "the MACD line crossed exactly ten bars ago",
        wanted=lambda o: int(o.verdicts.since_cross[0]) == CROSS_WINDOW,
    ),
    Case(
        "doji_by_drive",
        "the doji's body is more than a tenth of its own range but small beside the first drive's body",
        bend=lambda s, d: s.bent(
            body_a=np.maximum(s.body_a, 20.0),
            range_a=np.maximum(s.body_a, 20.0) / d.between(0.65, 0.9),
            body_b=np.maximum(s.body_a, 20.0) * d.between(0.8, 1.4),
            range_b=np.maximum(s.body_a, 20.0) * 1.5 / d.between(0.65, 0.9),
            body_d=d.side() * np.maximum(np.floor(s.body_a / 20), 1.0),
            range_d=np.maximum(np.floor(s.body_a / 20), 1.0) * d.between(2, 8),
        ),
        wanted=lambda o: 10 * abs(o.body(D)) > o.span(D),
    ),
    Case(
        "doji_without_range",
        "the doji traded at one price only, and it did trade",
        bend=lambda s, _: s.bent(range_d=0 * s.range_d, body_d=0 * s.range_d),
        wanted=lambda o: o.span(D) == 0,
        volume="with volume",
    ),
    Case(
        "doji_without_range_or_count",
        "the doji traded at one price only, and the feed has no volume to tell whether it did",
        bend=lambda s, _: s.bent(range_d=0 * s.range_d, body_d=0 * s.range_d),
        wanted=lambda o: o.span(D) == 0,
        volume="without volume",
    ),
    Case(
        "doji_without_volume",
        "the doji has a range and no volume: it counts as traded",
        bend=lambda s, _: s.bent(volume=s.volume * np.array([1.0, 0.0, 1.0])),
        volume="with volume",
    ),
)

FOUND = PLACES + PLANS + AT_THE_EDGE
