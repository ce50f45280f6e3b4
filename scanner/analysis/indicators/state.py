"""The small record of a series, without the compiled code that advances it."""

from __future__ import annotations

import numpy as np

STATE = np.dtype(
    [
        ("count", np.int64),  # bars seen
        ("ema_fast", np.float64),
        ("ema_slow", np.float64),
        ("signal", np.float64),
        ("exponential_average", np.float64),
        ("fast_sum", np.float64),  # of the closes whose mean is the simple average, and of those before it is ready
        ("slow_sum", np.float64),
        ("atr", np.float64),  # NaN until ready
        ("true_range_sum", np.float64),  # until the first ATR
        ("side", np.int64),  # of its signal on which the MACD line is: +1, −1, 0 on neither
        ("cross", np.int64),  # see the column CROSS
        ("session", np.int64),  # of the last bar, and its extremes so far
        ("session_high", np.float64),
        ("session_low", np.float64),
        ("before_high", np.float64),  # extremes of the session before
        ("before_low", np.float64),
        ("jump_seen", np.bool_),  # the next bar's jump was examined, and the bar is to be taken in as it is
        ("held", np.bool_),  # on hold after a suspected split, until warm again
    ],
)
"""The state of a series apart from its windows of bars."""


def count_in(snapshot: bytes) -> int:
    """Read from the snapshot of a series how many bars it has seen."""
    return int(np.frombuffer(snapshot[: STATE.itemsize], dtype=STATE)["count"][0])
