"""The columns of a series: where each number of a bar stands in the array that the compiled code works on."""

OPEN, HIGH, LOW, CLOSE, VOLUME = range(5)
"""What the feed gave."""

FAST_AVERAGE, SLOW_AVERAGE = 5, 6
"""What the kernel adds to each bar: the two simple averages, NaN until they are ready."""

COLUMNS = 7

SWING_LOW, SWING_HIGH = 1, 2
"""Bits of a bar's swing mark, set once the bars after it have shown it to be one."""
