"""What a place may lack in the strict reading: one bit for each condition, set if it does not hold."""

LAST_POINT, SLOPE, DEPTH, TOUCHES, AWAY, AGAINST, RISE, CLOSE_BEYOND, APART = (1 << bit for bit in range(9))
