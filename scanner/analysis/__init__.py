"""The analysis of bars: indicators, places and setups."""
