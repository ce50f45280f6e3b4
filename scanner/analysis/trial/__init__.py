"""Trying a setup before it is trusted: the tapes it is run on, and what is looked at."""
