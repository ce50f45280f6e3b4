"""The columns of a series: where each number of a bar is in the arrays that the compiled code works on."""

OPEN, HIGH, LOW, CLOSE, VOLUME = range(5)
"""What the feed gave; the volume is NaN if it gave none."""

FAST_AVERAGE, SLOW_AVERAGE = 5, 6
"""Simple averages of the closes (50 and 200 bars); NaN until they are ready."""

EXPONENTIAL_AVERAGE = 7
"""Exponential average of the closes (20 bars); NaN until it is ready."""

ATR = 8
"""Wilder's average true range; NaN until it is ready."""

USUAL_BODY = 9
"""Mean body of the last bars (14), this one included; NaN until it is ready."""

CROSS = 10
"""How many bars the MACD line has been on its side of the signal, if the cross was seen.

+1 at the bar at which the line went above its signal, +2 at the next, and so on; −1, −2, … after it went below; 0 if it
is on neither side, or if the cross came before the signal line was ready.
"""

SESSION_HIGH, SESSION_LOW = 11, 12
"""Highest high and lowest low of the session before; NaN if it was not seen, and for bars of a day or longer."""

COLUMNS = 13
"""Rows of ``columns``, the window that a setup reads."""

DEEP_HIGH, DEEP_LOW, DEEP_CLOSE, DEEP_ATR = range(4)
DEEP = 4
"""Rows of ``deep``, the longer window in which averages, swing points and obstacles are found."""

SWING_LOW, SWING_HIGH, FAR_LOW, FAR_HIGH = 1, 2, 4, 8
"""Bits of a bar's swing mark, set once the bars after it have confirmed it.

A far one has the strength that makes it an obstacle.
"""
