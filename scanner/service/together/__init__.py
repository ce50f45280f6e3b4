"""A bar close of many instruments as one table: usual answers are taken all at once."""
