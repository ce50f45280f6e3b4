"""What the cells of a table hold: which column is which, and its numbers."""
