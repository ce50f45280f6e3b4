"""What the page knows: the configuration, and the store as last read."""
