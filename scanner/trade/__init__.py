"""What one could do about a setup: the plan and the size."""
