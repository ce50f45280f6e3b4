"""Planted decoys: each misses by exactly one rule, or stands while nothing may be said."""

from __future__ import annotations

import numpy as np

from demo_feed.case import Case, only
from demo_feed.rule_check import CLOSE, CROSS_WINDOW, HIGH, NEVER, A, B, D
from demo_feed.sketches import close_b_at

RULE_DECOYS = (
    Case(
        "against_first",
        "the first drive goes the other way",
        misses="drive_direction",
        bend=lambda s, d: s.bent(body_a=-s.body_a, body_b=s.body_a * d.between(1.2, 1.7), range_b=s.body_a * 1.9),
    ),
    Case(
        "against_second",
        "the second drive leaps at a session's opening and comes back",
        misses="drive_direction",
        where="opening a session",
        bend=lambda s, d: s.bent(body_b=-s.body_b, gap_b=s.body_b + s.range_d * d.between(0.6, 1.2)),
    ),
    Case(
        "short_drive",
        "the first drive is shorter than the usual body",
        misses="drive_length",
        bend=lambda s, d: s.bent(
            body_a=s.usual * d.between(0.75, 0.97),
            range_a=s.usual / d.between(0.7, 0.95),
            range_d=s.usual * d.between(0.25, 0.6),
            body_b=s.usual * d.between(0.9, 1.2),
            range_b=s.usual * 1.2 / d.between(0.7, 0.95),
        ),
    ),
    Case(
        "exhausted",
        "the first drive is longer than three ATR",
        misses="not_exhausted",
        bend=lambda s, d: s.bent(
            body_a=s.atr * d.between(2.6, 3.0),
            range_a=s.atr * d.between(3.05, 3.4),
            range_d=s.atr * d.between(0.6, 1.2),
            body_b=s.atr * d.between(1.7, 2.2),
            range_b=s.atr * d.between(2.2, 2.9),
        ),
    ),
    Case(
        "wicks_first",
        "the first drive is mostly wicks",
        misses="drive_solid",
        bend=lambda s, d: s.bent(range_a=s.body_a / d.between(0.4, 0.49), range_d=s.body_a * d.between(0.4, 0.7)),
    ),
    Case(
        "wicks_second",
        "the second drive is mostly wicks",
        misses="drive_solid",
        bend=lambda s, d: s.bent(range_b=s.body_b / d.between(0.4, 0.49)),
    ),
    Case(
        "doji_with_body",
        "the pause has too much of a body",
        misses="doji_body",
        bend=lambda s, d: s.bent(body_d=d.side() * s.range_d * d.between(0.12, 0.2)),
    ),
    Case(
        "doji_loud",
        "the doji is long-legged",
        misses="doji_short",
        bend=lambda s, d: s.bent(range_d=s.range_a * d.between(0.77, 0.95), body_b=s.body_a * d.between(1.1, 1.6)),
    ),
    Case(
        "second_too_long",
        "the second drive is much longer than the first",
        misses="drives_alike",
        bend=lambda s, d: s.bent(
            body_b=s.body_a * d.between(1.78, 2.1), range_b=s.body_a * 2.15 / d.between(0.8, 0.95)
        ),
    ),
    Case(
        "second_too_short",
        "the second drive is much shorter than the first",
        misses="drives_alike",
        bend=lambda s, d: s.bent(
            range_d=s.range_a * d.between(0.2, 0.35),
            body_b=s.body_a * d.between(0.4, 0.56),
            range_b=s.body_a * d.between(0.56, 0.7),
        ),
    ),
    Case(
        "not_beyond_doji",
        "the last close only reaches the doji's extreme",
        misses="progress",
        bend=lambda s, d: s.bent(range_d=s.range_a * d.between(0.6, 0.74), under_d=0.1 + 0 * s.atr),
        trim=lambda threes: close_b_at(threes, threes.prices[:, D, HIGH]),
        wanted=lambda o: bool(o.prices[B, CLOSE] > o.prices[A, CLOSE]),
    ),
    Case(
        "not_beyond_first",
        "the second drive opens lower after a night and only comes back to the first drive's close",
        misses="progress",
        where="opening a session",
        bend=lambda s, d: s.bent(
            gap_b=-s.body_b * d.between(0.6, 1.0) - s.range_d * 0.3,
            gap_d=-1.0 + 0 * s.gap_d,
            under_d=1.0 + 0 * s.atr,
            range_d=s.range_a * d.between(0.2, 0.4),
            body_d=0 * s.body_d,
        ),
        trim=lambda threes: close_b_at(threes, threes.prices[:, A, CLOSE]),
        wanted=lambda o: bool(o.prices[B, CLOSE] > o.prices[D, HIGH]),
    ),
    Case(
        "momentum_against",
        "the MACD line is not beyond its signal",
        misses="momentum",
        wanted=lambda o: int(o.verdicts.since_cross[0]) == NEVER,
    ),
    Case(
        "momentum_stale",
        "the MACD line crossed more than ten bars ago",
        misses="momentum",
        wanted=lambda o: CROSS_WINDOW < int(o.verdicts.since_cross[0]) < NEVER,
    ),
    Case(
        "doji_not_traded",
        "nobody traded during the pause",
        misses="traded",
        bend=lambda s, _: s.bent(
            range_d=0 * s.range_d, body_d=0 * s.range_d, volume=s.volume * np.array([1.0, 0.0, 1.0])
        ),
        volume="with volume",
    ),
)

PLACE_DECOYS = (
    Case("nowhere", "it happens nowhere in particular", misses="place", wanted=only()),
    Case(
        "line_pierced",
        "the only trend line was pierced by a close",
        misses="place",
        wanted=lambda o: only()(o) and o.places.line_pierced,
    ),
    Case(
        "line_short",
        "the only trend line goes through two turns that are too close together",
        misses="place",
        wanted=lambda o: only()(o) and o.places.line_short,
        rare=True,
    ),
    Case(
        "average_falling",
        "the average at hand goes the wrong way",
        misses="place",
        wanted=lambda o: only()(o) and o.places.average_falls,
    ),
    Case(
        "level_of_one",
        "a single earlier turn is no level",
        misses="place",
        wanted=lambda o: only()(o) and len(o.places.near) == 1,
    ),
    Case(
        "turn_not_lowest",
        "the move was large, but the market had been further before",
        misses="place",
        wanted=lambda o: only()(o) and not o.places.lowest and o.places.depth >= 3,  # noqa: PLR2004 - the rule's own number
    ),
)

BEFORE_WARM = Case("before_warm", "everything holds before the series is warm", misses="warm_up")
ON_HOLD = Case("on_hold", "everything holds while the series is on hold after a split", misses="warm_up")

DECOYS = RULE_DECOYS + PLACE_DECOYS
