"""Access to the page: names and origins, sessions, the password, and forms."""
