"""Indicators: what the kernel computes for every bar, and the windows in which it does."""
