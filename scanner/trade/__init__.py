"""What a trader could do about a setup: the plan and the size."""
