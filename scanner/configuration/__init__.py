"""What a configuration says, whether it can be used, and what is wrong with it."""
