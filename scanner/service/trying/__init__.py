"""Trying the feeds and sinks of a configuration."""
