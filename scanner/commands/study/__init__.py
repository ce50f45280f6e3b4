"""``closewatch study``."""
