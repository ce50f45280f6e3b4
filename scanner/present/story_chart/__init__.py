"""The chart of a story."""
