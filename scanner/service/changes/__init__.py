"""What changes while a station watches: restated bars, the list, and decisions."""
