"""Feeds: one file for each source of bars."""
