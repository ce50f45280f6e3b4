"""What feeds that ask a server over HTTP share: settings, what is sent along, and how an answer is read."""
