"""What a study says of its trades: figures with intervals, beside chance, corrected for all that was looked at."""
