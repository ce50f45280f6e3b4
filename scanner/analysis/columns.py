"""The columns of a series: where each number of a bar is in the arrays that the compiled code works on."""

OPEN, HIGH, LOW, CLOSE, VOLUME = range(5)
"""What the feed gave; the volume is NaN where there is none."""

FAST_AVERAGE, SLOW_AVERAGE = 5, 6
"""Simple averages of the closes (50 and 200 bars); NaN until they are ready."""

EXPONENTIAL_AVERAGE = 7
"""Exponential average of the closes (20 bars); NaN until it is ready."""

ATR = 8
"""Wilder's average true range; NaN until it is ready."""

USUAL_BODY = 9
"""Mean body of the last bars (14), this one included; NaN until it is ready."""

CROSS = 10
"""How long the MACD line has been beyond its signal, in bars, since it was seen to cross it.

+1 at the bar at which the line went above its signal, +2 at the next, and so on; −1, −2, … where it went below; 0 where
it is on neither side, or where the cross came before the signal line was ready.
"""

SESSION_HIGH, SESSION_LOW = 11, 12
"""Highest high and lowest low of the session before; NaN where it was not seen, and for bars of a day or longer."""

COLUMNS = 13
"""Rows of ``columns``, the window that a setup reads."""

DEEP_HIGH, DEEP_LOW, DEEP_CLOSE, DEEP_ATR = range(4)
DEEP = 4
"""Rows of ``deep``, the longer window that averages, swing points and obstacles are found in."""

SWING_LOW, SWING_HIGH, FAR_LOW, FAR_HIGH = 1, 2, 4, 8
"""Bits of a bar's swing mark, which the bars after it have shown it to be.

A far one is of the strength that makes it an obstacle.
"""
