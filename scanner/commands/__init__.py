"""What each command does, once the command line is parsed."""
