"""Words and charts for people."""
