"""closewatch: looks at every bar the moment it closes and tells of the few that fit a rule-based setup."""
