"""Sinks: one file for each destination of events."""
