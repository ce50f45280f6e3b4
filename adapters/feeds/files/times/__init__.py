"""How times are written, and what moments they are."""
