"""The chart of a setup, and what the charts have in common."""
