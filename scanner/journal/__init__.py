"""Looking back at what was said and what the user made of it: stories, entries and figures. All of it is pure."""
