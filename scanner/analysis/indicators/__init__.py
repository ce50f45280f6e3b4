"""Indicators: what the kernel computes of every bar, and the windows that it computes in."""
