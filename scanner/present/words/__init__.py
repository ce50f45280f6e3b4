"""Events in words, as text and as mail."""
