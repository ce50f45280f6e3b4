"""Following: what becomes of a setup, from closed bars alone, until it ends."""
