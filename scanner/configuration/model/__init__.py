"""The configuration as one model, and the values in it."""
