"""What a bar is: bars, instruments, timeframes, sessions, aggregation and the guard."""
