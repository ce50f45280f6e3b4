"""What the bars say: indicators, structure and setups."""
