"""The panels of a chart: prices with their levels, the close-up of a setup, volume, the MACD, a story's course."""
