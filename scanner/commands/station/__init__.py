"""The commands about a station, its configuration and its store."""
