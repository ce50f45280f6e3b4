"""Who may ask, and how that is known: names and origins, sessions, the password, and forms."""
