"""A look back at setups and the user's decisions: stories, entries and figures. All of it is pure."""
