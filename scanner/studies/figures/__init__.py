"""The figures of a study's trades: with intervals, compared with chance, corrected for the number of looks."""
