"""Sinks: one file for each way events go out."""
