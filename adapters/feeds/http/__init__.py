"""The shared parts of feeds over HTTP: settings, headers and secrets, and the reading of answers."""
