"""The engine: bars in, events out. It reads no clock, does no I/O and draws no random numbers.

So the same bars always give the same events. Only here do market, analysis and trade meet.
"""
