"""When a station wakes."""
