"""Bars, and what they belong to: instruments, timeframes, sessions, aggregation and the guard."""
