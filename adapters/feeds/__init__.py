"""Feeds: one file for each way bars come in."""
