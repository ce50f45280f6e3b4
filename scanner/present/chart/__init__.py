"""The chart of a setup, and what all charts share."""
