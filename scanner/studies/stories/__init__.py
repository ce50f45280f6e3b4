"""The stories that a study collects from bars: setups, those of variants, and controls, as columns."""
