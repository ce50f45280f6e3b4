"""The commands about recorded bars."""
