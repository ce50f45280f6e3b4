"""A bar close of many instruments as one table: what is usual is taken for all at once."""
