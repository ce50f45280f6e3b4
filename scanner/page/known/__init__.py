"""What the page knows: the configuration, the store as it was last looked at, and bars judged again."""
