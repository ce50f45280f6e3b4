"""What each command does, once its words are understood."""
