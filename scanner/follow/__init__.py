"""Following: the story of a setup, from closed bars alone, until it ends."""
