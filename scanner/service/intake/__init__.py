"""Asking feeds for bars, and looking at their answers."""
