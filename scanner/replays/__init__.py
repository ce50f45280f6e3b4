"""Recorded bars: opening them, and replaying them through the same pipeline as live ones."""
